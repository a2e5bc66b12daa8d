// New events come in at the top; what somebody reads meanwhile stays where it is.
import { begin, calmly, follow, piece } from "./page.js";

const ROWS_MAX = 400; // a page left open for a day holds no more
const ledger = document.getElementById("ledger");
const above = document.getElementById("above");
const button = above.querySelector("button");
let newest = Number(ledger.dataset.newest);
let unseen = 0;

/** Reading: the top is out of sight, something is opened, marked or held by the keyboard. */
function reads() {
  return ledger.getBoundingClientRect().top < 0 || ledger.querySelector("details[open]") !== null
    || ledger.contains(document.activeElement) || !getSelection().isCollapsed;
}

function put(rows) {
  const stays = reads();
  const first = [...ledger.children].find((row) => row.getBoundingClientRect().bottom > 0);
  const before = first?.getBoundingClientRect().top;
  ledger.prepend(...rows);
  begin(ledger);
  document.getElementById("none")?.remove();
  for (const row of rows) row.classList.add("fresh");
  if (stays && first) {
    scrollBy(0, first.getBoundingClientRect().top - before);
    unseen += rows.length;
    tell();
  }
  let cut = false;
  while (ledger.children.length > ROWS_MAX && ledger.lastElementChild.getBoundingClientRect().top > innerHeight) {
    ledger.lastElementChild.remove();
    cut = true;
  }
  lead_on(cut);
}

function tell() {
  above.hidden = unseen === 0;
  button.textContent = `${unseen} newer above`;
}
button.addEventListener("click", () => {
  unseen = 0;
  tell();
  ledger.firstElementChild?.querySelector("summary").focus({ preventScroll: true });
  ledger.scrollIntoView();
});
addEventListener("scroll", () => {
  if (unseen && ledger.getBoundingClientRect().top >= 0) { unseen = 0; tell(); }
}, { passive: true });

/** False: not to be had now. So many came that some are left out: then only the newest stand here. */
async function fetch_newer() {
  const rows = [];
  let seen = newest, older = "";
  do {
    const drawn = await piece(`/changes/rows?${ledger.dataset.query}&after=${newest}${older && `&before=${older}`}`);
    if (!drawn) return false;
    const list = drawn.querySelector("ol");
    rows.push(...[...list.children].map((row) => document.importNode(row, true)));
    seen = Math.max(seen, Number(list.dataset.newest), Number(rows[0]?.dataset.seq ?? 0));
    older = list.dataset.older;
  } while (older && rows.length < ROWS_MAX);
  newest = seen;
  if (older) ledger.replaceChildren();
  if (rows.length) put(rows);
  return true;
}

/** The way to what is older goes on from the last row that stands. */
function lead_on(cut) {
  let way = document.getElementById("older");
  if (!way && cut) { // all of a short journal stood here
    way = document.createElement("a");
    way.id = "older";
    way.rel = "next";
    way.textContent = "Older events";
    document.querySelector(".pages").replaceChildren(way);
  }
  if (!way) return;
  const query = new URLSearchParams(ledger.dataset.query);
  query.set("before", ledger.lastElementChild.dataset.seq);
  way.href = `/changes?${query}`;
}

async function draw_again(names) {
  const rows = [...ledger.querySelectorAll("[data-investigation]")]
    .filter((row) => !names || names.includes(row.dataset.investigation)).slice(0, 200);
  if (!rows.length) return true;
  const drawn = await piece(`/changes/again?${rows.map((row) => `seq=${row.dataset.seq}`).join("&")}`);
  for (const other of drawn?.querySelectorAll(".change") ?? []) {
    const row = document.getElementById(other.id);
    const old = row.querySelector(".disposition"), now = other.querySelector(".disposition");
    if (now && old?.textContent !== now.textContent) old.replaceWith(document.importNode(now, true));
  }
  begin(ledger);
  return drawn !== null;
}

const redraw = calmly(async (told) => {
  const came = ledger.dataset.live === undefined || await fetch_newer();
  const again = !told.all && !told.investigations?.length || await draw_again(told.all ? null : told.investigations);
  return came && again;
});
follow(redraw);
