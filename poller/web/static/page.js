// What every view shares: the stream of what moved, ages that go on, and forms that stay on the page.
// Nothing here makes markup of text: pieces come drawn and escaped from the server.

const NARRATE_MS = 300; // what moves within it is asked for once
const AGES_MS = 5000;
const HIDDEN_MS = 60000; // a page that nobody looks at lets go of its stream
const AGAIN_MS = [2000, 5000, 15000, 30000];
const UNITS = [[86400, "d"], [3600, "h"], [60, "min"], [1, "s"]];
const BY_SCRIPT = { "x-bayroll-live": "1" };

const body = document.body;
const lost = document.getElementById("lost");
const followers = [];
let seq = Number(body.dataset.seq);
let source = null;
let again = null;
let tries = 0;
let silentSince = null;
let leaving = null;

/** Calls back with what moved: {all: true}, or {relays: [...], alarms: [...], work: [...], ...}. */
export function follow(moved, read = () => {}) {
  followers.push({ moved, read });
}

/** A piece of the page, drawn by the server; null where it can't be had now. */
export async function piece(path) {
  try {
    const answer = await fetch(path, { headers: BY_SCRIPT, redirect: "manual" });
    if (answer.type === "opaqueredirect" || answer.status === 401) { ended(); return null; }
    if (!answer.ok) return null;
    return new DOMParser().parseFromString(await answer.text(), "text/html").body;
  } catch { return null; }
}

/** Calls work once for all that comes within a moment; never twice at a time, nor within calm ms. */
export function calmly(work, calm = 0) {
  let waits = null, runs = false, more = null, last = -Infinity;
  const pause = () => Math.max(NARRATE_MS, last + calm - performance.now());
  const merge = (one, other) => {
    if (!one) return other;
    if (one.all || other.all) return { all: true };
    const both = {};
    for (const sort of ["relays", "alarms", "work", "investigations"])
      both[sort] = [...new Set([...(one[sort] ?? []), ...(other[sort] ?? [])])];
    return both;
  };
  const run = async () => {
    waits = null;
    if (runs) return;
    runs = true;
    const told = more;
    more = null;
    if (!(await work(told))) more = merge(told, more ?? {}); // not to be had: tried again
    runs = false;
    last = performance.now();
    if (more) waits ??= setTimeout(run, tries ? 5000 : pause());
  };
  return (told) => {
    more = merge(more, told);
    waits ??= setTimeout(run, pause());
  };
}

export function span(seconds) {
  let rest = Math.max(0, Math.floor(seconds));
  const parts = UNITS.map(([size, unit]) => { const n = Math.floor(rest / size); rest %= size; return [n, unit]; });
  let first = parts.findIndex(([n]) => n > 0);
  if (first < 0) first = parts.length - 1;
  return parts.slice(first, first + 2).filter(([n], at) => at === 0 || n > 0).map((p) => p.join(" ")).join(" ");
}

const clock = () => performance.now() / 1000;
/** Ages are counted from when they came, by a clock that nobody sets. */
export function age(element, seconds) {
  element.dataset.from = String(clock() - seconds);
  element.textContent = span(seconds);
}
export function secondsOf(element) {
  const from = element?.dataset.from;
  if (from !== undefined) return clock() - Number(from);
  return element?.dataset.age === undefined ? Infinity : Number(element.dataset.age);
}
export function begin(root = document) {
  for (const one of root.querySelectorAll("[data-age]:not([data-from])"))
    one.dataset.from = String(clock() - Number(one.dataset.age));
}
function tick() {
  if (document.hidden) return;
  for (const one of document.querySelectorAll("[data-from]")) {
    const says = span(secondsOf(one));
    if (one.textContent !== says) one.textContent = says;
  }
}

// The stream.

function listen() {
  if (source || leaving) return;
  clearTimeout(again);
  source = new EventSource(`/api/v1/changes?after=${seq}`);
  source.addEventListener("hello", () => { tries = 0; heard(); });
  source.addEventListener("moved", (event) => {
    const told = JSON.parse(event.data);
    seq = told.seq;
    for (const one of followers) one.moved(told);
  });
  source.addEventListener("read", (event) => {
    const told = JSON.parse(event.data);
    for (const one of followers) one.read(told);
  });
  source.addEventListener("ended", ended);
  source.onerror = () => {
    if (document.hidden || leaving) return;
    silent();
    if (source.readyState === EventSource.CLOSED) retry();
  };
}

function retry() {
  drop();
  again = setTimeout(async () => {
    const answer = await fetch("/api/v1/session", { headers: BY_SCRIPT }).catch(() => null);
    if (answer?.status === 401) ended(); else listen();
  }, AGAIN_MS[Math.min(tries++, AGAIN_MS.length - 1)]);
}

function drop() {
  source?.close();
  source = null;
}

function silent() {
  silentSince ??= new Date();
  const since = silentSince.toTimeString().slice(0, 8);
  lost.textContent = `No connection to Bayroll since ${since}. What stands here may be old; trying again.`;
  lost.hidden = false;
}

function heard() {
  silentSince = null;
  lost.hidden = true;
}

function ended() {
  drop();
  leaving = true;
  const way = document.createElement("a");
  way.href = `/sign-in?to=${encodeURIComponent(location.pathname + location.search)}`;
  way.textContent = "Sign in";
  lost.replaceChildren("You are not signed in any more; what stands here grows old. ", way);
  lost.hidden = false;
}

let away = null;
document.addEventListener("visibilitychange", () => {
  clearTimeout(away);
  if (document.hidden) away = setTimeout(drop, HIDDEN_MS);
  else { tick(); if (body.dataset.live !== undefined) listen(); }
});
addEventListener("pagehide", () => { leaving ??= true; drop(); });
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });

// Forms that stay on the page: what came of it is told there, and the stream brings the rest.

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("[data-quiet]")) return;
  event.preventDefault();
  const button = form.querySelector("button");
  const says = form.querySelector("output");
  button.disabled = true;
  says.textContent = "";
  try {
    const answer = await fetch(form.action, { method: "POST", headers: BY_SCRIPT, body: new URLSearchParams(new FormData(form)) });
    if (answer.status === 401) ended();
    else if (!answer.ok) says.textContent = await reason(answer);
    else done(form, says);
  } catch { says.textContent = "no connection; not done"; }
  button.disabled = false;
});

/** data-again: what is said of a form that stays and may be filled in anew. */
function done(form, says) {
  form.dataset.done = "1";
  if (form.dataset.again === undefined) return;
  form.reset();
  says.textContent = form.dataset.again;
}
document.addEventListener("input", (event) => { delete event.target.form?.dataset.done; });

async function reason(answer) {
  const text = await answer.text();
  try { return JSON.parse(text).refused; } catch { return text; }
}

/** Whether somebody writes in there: then it is not drawn anew under their hands. */
export function busy(element) {
  if (!element) return false;
  if ([...element.querySelectorAll("input:not([type=hidden]):not([type=checkbox]), textarea:not([readonly])")].some((one) => one.value !== one.defaultValue && !one.form?.dataset.done)) return true;
  return element.contains(document.activeElement) && document.activeElement.matches("input, select, textarea") && !document.activeElement.form?.dataset.done;
}

const stand = document.getElementById("stand");
if (stand) {
  const redraw = calmly(async () => {
    const drawn = await piece("/stand");
    if (drawn) stand.replaceChildren(...drawn.childNodes);
    return drawn !== null;
  });
  follow((told) => { if (told.all || told.alarms?.length) redraw(told); });
}

begin();
setInterval(tick, AGES_MS);
if (body.dataset.live !== undefined) listen();
