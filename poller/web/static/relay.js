// The picture of what happened, by keyboard: one stop for Tab, arrows from event to event.

const part = document.getElementById("history");
const words = () => document.getElementById("told");
const seen = (element) => element.checkVisibility?.() ?? element.getClientRects().length > 0;

/** Of the picture that fits the window: its lanes that have events, each in the order of time. */
function lanes() {
  const picture = [...part.querySelectorAll(".picture")].find(seen);
  return [...(picture?.querySelectorAll(".lane") ?? [])]
    .map((lane) => [...lane.querySelectorAll(".event")]).filter((events) => events.length);
}

/** Only one of them is a stop for Tab: the last, or where somebody is. */
function one_stop() {
  for (const picture of part.querySelectorAll(".picture")) {
    const events = [...picture.querySelectorAll(".event")];
    const here = events.find((one) => one === document.activeElement)
      ?? events.reduce((last, one) => (last && x(last) > x(one) ? last : one), null);
    for (const one of events) one.setAttribute("tabindex", one === here ? "0" : "-1");
  }
}

const x = (event) => Number(event.dataset.x);
const WAYS = {
  ArrowLeft: (all, row, at) => all[row][at - 1],
  ArrowRight: (all, row, at) => all[row][at + 1],
  ArrowUp: (all, row, at) => nearest(all[row - 1], all[row][at]),
  ArrowDown: (all, row, at) => nearest(all[row + 1], all[row][at]),
  Home: (all, row) => all[row][0],
  End: (all, row) => all[row].at(-1),
};
function nearest(events, event) {
  return events?.reduce((best, one) => (Math.abs(x(one) - x(event)) < Math.abs(x(best) - x(event)) ? one : best));
}

part.addEventListener("keydown", (event) => {
  const here = event.target.closest?.(".event");
  if (!here || !(event.key in WAYS)) return;
  const all = lanes();
  const row = all.findIndex((events) => events.includes(here));
  const there = row < 0 ? null : WAYS[event.key](all, row, all[row].indexOf(here));
  event.preventDefault();
  there?.focus();
});
part.addEventListener("focusin", (event) => {
  if (event.target.closest?.(".event")) { one_stop(); tell(event.target); }
});
part.addEventListener("pointerover", (event) => {
  const here = event.target.closest?.(".event");
  if (here) tell(here);
});
function tell(event) {
  const says = words();
  says.textContent = event.getAttribute("aria-label");
  says.hidden = false;
}

new MutationObserver(one_stop).observe(part, { childList: true });
one_stop();
