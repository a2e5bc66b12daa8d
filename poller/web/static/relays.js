// The roll: found, sifted and ordered in the page, so that a thousand relays answer at once.
import { age, begin, calmly, follow, piece, secondsOf } from "./page.js";

const ASK_MAX = 100; // relays asked for by name; more, and all are asked for
const sieve = document.getElementById("sieve");
const rows = document.getElementById("rows");
const told = document.getElementById("told");
const heads = [...document.querySelectorAll("th[data-by]")];
const collator = new Intl.Collator("en", { numeric: true, sensitivity: "base" });
const asked = new URLSearchParams(location.search);
let by = heads.some((one) => one.dataset.by === asked.get("by")) ? asked.get("by") : "position";
let down = asked.has("down");

const cell = (row, at) => row.cells[at];
const text = (row, at) => cell(row, at).textContent.trim();
const number = (row, at) => Number(cell(row, at).dataset.n);
const position = (one, other) => collator.compare(text(one, 0), text(other, 0)) || collator.compare(text(one, 1), text(other, 1));
const by_text = (at) => (one, other) => collator.compare(text(one, at), text(other, at));
const by_number = (at) => (one, other) => number(one, at) - number(other, at);
const ORDERS = {
  position,
  function: by_text(1),
  model: by_text(2),
  firmware: by_text(3),
  list: by_number(4),
  flags: by_number(5),
  health: by_number(6),
  read: (one, other) => secondsOf(cell(other, 7).querySelector(".age")) - secondsOf(cell(one, 7).querySelector(".age")) || 0,
  open: (one, other) => collator.compare(text(other, 8), text(one, 8)),
};

function order() {
  const way = down ? -1 : 1;
  const found = [...rows.rows].sort((one, other) => way * ORDERS[by](one, other) || position(one, other));
  if (found.some((row, at) => row !== rows.rows[at])) {
    const kept = document.activeElement;
    rows.append(...found);
    if (rows.contains(kept)) kept.focus();
  }
  for (const head of heads) {
    if (head.dataset.by === by) head.setAttribute("aria-sort", down ? "descending" : "ascending");
    else head.removeAttribute("aria-sort");
  }
}

function sift() {
  const words = sieve.elements.text.value.toLowerCase().split(/\s+/).filter(Boolean);
  const only = sieve.elements.only.value;
  let shown = 0, bay = null;
  for (const row of rows.rows) {
    const fits = (!only || row.dataset.is.split(" ").includes(only)) && (!words.length || has(row, words));
    if (row.hidden === fits) row.hidden = !fits;
    if (!fits) continue;
    shown += 1;
    const first = by !== "position" || text(row, 0) !== bay;
    row.classList.toggle("first", first);
    bay = text(row, 0);
  }
  const all = rows.rows.length;
  told.textContent = shown === all ? `${all} relays` : `${shown} of ${all} relays`;
}

const said = new WeakMap(); // what is looked for, made once for each row that is drawn
function has(row, words) {
  if (!said.has(row)) said.set(row, row.textContent.toLowerCase());
  return words.every((word) => said.get(row).includes(word));
}

function remember() {
  const now = new URLSearchParams();
  if (sieve.elements.text.value) now.set("text", sieve.elements.text.value);
  if (sieve.elements.only.value) now.set("only", sieve.elements.only.value);
  if (by !== "position") now.set("by", by);
  if (down) now.set("down", "");
  history.replaceState(null, "", now.size ? `?${now}` : location.pathname);
}

function change() { order(); sift(); remember(); }

function put(drawn, wanted) {
  const fresh = new Map([...drawn.querySelectorAll("tr")].map((row) => [row.id, row]));
  for (const row of [...rows.rows]) {
    const other = fresh.get(row.id);
    if (other) {
      fresh.delete(row.id);
      if (other.textContent !== row.textContent) other.classList.add("fresh");
      row.replaceWith(document.importNode(other, true));
    } else if (!wanted || wanted.has(row.id)) row.remove();
  }
  for (const row of fresh.values()) rows.append(document.importNode(row, true));
  begin(rows);
  order();
  sift();
}

const redraw = calmly(async (moved) => {
  const names = moved.all || moved.relays.length > ASK_MAX ? null : moved.relays;
  const query = (names ?? []).map((name) => `relay=${encodeURIComponent(name)}`).join("&");
  const drawn = await piece(`/roll?${query}`);
  if (drawn) put(drawn, names && new Set(names.map((name) => `relay-${name}`)));
  return drawn !== null;
});

follow(
  (moved) => { if (moved.all || moved.relays.length) redraw(moved); },
  (read) => {
    for (const [name, [at, quality]] of Object.entries(read.relays)) {
      const found = document.getElementById(`relay-${name}`)?.cells[7];
      const shown = found?.querySelector(".age");
      if (!shown || (found.querySelector(".quality")?.textContent ?? "good") !== quality) {
        if (found) redraw({ relays: [name] });
      } else age(shown, read.now - at);
    }
  },
);

for (const head of heads) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = head.textContent;
  button.addEventListener("click", () => {
    down = by === head.dataset.by && !down;
    by = head.dataset.by;
    if (sieve.elements.by.querySelector(`[value=${by}]`)) sieve.elements.by.value = by;
    change();
  });
  head.replaceChildren(button);
}
sieve.elements.text.value = asked.get("text") ?? "";
if (sieve.elements.by.querySelector(`[value=${by}]`)) sieve.elements.by.value = by;
if ([...sieve.elements.only.options].some((one) => one.value === asked.get("only"))) sieve.elements.only.value = asked.get("only");
sieve.addEventListener("submit", (event) => event.preventDefault());
sieve.addEventListener("input", (event) => {
  if (event.target.name === "by") { by = event.target.value; down = false; }
  change();
});
sieve.hidden = false;
order();
sift();
