// The list of alarms, drawn anew by the server when one moves; not under the hands of who writes.
import { begin, busy, calmly, follow, piece } from "./page.js";

const list = document.getElementById("list");

function put(drawn) {
  const open = new Set([...list.querySelectorAll("details[open]")].map((one) => one.id));
  const kept = new Map();
  for (const slip of list.querySelectorAll(".slip")) if (busy(slip)) kept.set(slip.id, slip);
  const active = document.activeElement;
  for (const slip of drawn.querySelectorAll(".slip")) {
    const mine = kept.get(slip.id);
    if (mine && mine.querySelector(".state").textContent === slip.querySelector(".state").textContent) slip.replaceWith(mine);
  }
  list.replaceChildren(...drawn.childNodes);
  for (const id of open) { const found = document.getElementById(id); if (found) found.open = true; }
  if (list.contains(active)) active.focus();
  begin(list);
}

const redraw = calmly(async () => {
  const drawn = await piece("/alarms/list");
  if (drawn) put(drawn);
  return drawn !== null;
});
follow((told) => { if (told.all || told.alarms?.length) redraw(told); });
