// Parts of a page that the server draws anew when something of them moves; never under the hands of
// who writes. data-piece: where to ask; data-on: sorts of what moves; data-of: only where this one does; data-calm: at most so often, ms.
import { begin, busy, calmly, follow, piece } from "./page.js";

const REACHED = "a[href], button, input, select, textarea, summary, [tabindex]";

for (const part of document.querySelectorAll("[data-piece]")) keep(part);

function keep(part) {
  const sorts = part.dataset.on.split(" "), of = part.dataset.of;
  const redraw = calmly(async () => {
    const drawn = await piece(part.dataset.piece);
    if (drawn) put(part, drawn);
    return drawn !== null;
  }, Number(part.dataset.calm ?? 0));
  follow(
    (told) => { if (told.all || sorts.some((sort) => of ? told[sort]?.includes(of) : told[sort]?.length)) redraw(told); },
    (read) => { // what is compared with each reading names its relay
      if ([...part.querySelectorAll("[data-reads]")].some((one) => one.dataset.reads in read.relays)) redraw({});
    },
  );
}

function put(part, drawn) {
  const open = new Map([...part.querySelectorAll("details[id]")].map((one) => [one.id, one.open]));
  const kept = new Map();
  for (const slip of part.querySelectorAll(".slip")) if (busy(slip)) kept.set(slip.id, slip);
  const active = part.contains(document.activeElement) ? document.activeElement : null;
  const place = active && whereIs(active);
  for (const slip of drawn.querySelectorAll(".slip")) {
    const mine = kept.get(slip.id);
    if (mine && says(mine) === says(slip)) slip.replaceWith(mine);
  }
  part.replaceChildren(...drawn.childNodes);
  for (const one of part.querySelectorAll("details[id]")) if (open.has(one.id)) one.open = open.get(one.id);
  if (active) (part.contains(active) ? active : there(place))?.focus({ preventScroll: true });
  begin(part);
}

const says = (slip) => slip.querySelector(".state")?.textContent;
function whereIs(element) {
  const within = element.closest("[id]");
  return { id: within.id, at: [...within.querySelectorAll(REACHED)].indexOf(element) };
}
function there({ id, at }) {
  const within = document.getElementById(id);
  return at < 0 ? within : within?.querySelectorAll(REACHED)[at];
}
