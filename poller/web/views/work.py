"""Work on relays: what is under way, planned, verified and left to do; planned and moved here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response

from poller.answers import investigations
from poller.answers.listing import natural
from poller.answers.sheet import sheet as sheet_of
from poller.answers.sheet import ways
from poller.answers.words import position, quoted
from poller.answers.work import WorkPicture, asked
from poller.answers.work import row as work_row
from poller.answers.work_words import DISPOSITION, KIND, NOTE
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.canonical import stamp
from poller.model.nameplate import flat
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.standing import shown as present
from poller.model.work import ENDED, FirmwareStatus, Work, WorkKind, WorkState, by_number
from poller.web.api import known
from poller.web.page import Page, page_of
from poller.web.views.acts import Fields, carry_out, fields
from poller.web.views.work_steps import doable, next_says, sign, steps
from poller.web.who import Somebody
from poller.work.window import window

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
Prefilled = Annotated[str, Query(max_length=limits.TEXT_MAX)]
OPEN_SHOWN: Final = 100  # of one group, those with the first windows
ENDED_SHOWN: Final = 20

OTHERWISE: Final = frozenset({WorkState.NOT_DONE, WorkState.WRONG_VERSION})
GROUPS: Final[dict[str, frozenset[WorkState]]] = {
    "Came out otherwise": OTHERWISE,
    "Under way": frozenset({WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY, WorkState.CHECKING}),
    "Planned": frozenset({WorkState.PLANNED, WorkState.READY}),
    "Verified, to be signed and closed": frozenset({WorkState.VERIFIED}),
}
WORDS: Final[dict[str, Any]] = {
    "steps": steps,
    "doable": doable,
    "next_says": next_says,
    "sign": sign,
    "NOTE": NOTE,
    "DISPOSITION": DISPOSITION,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One piece of work that has not ended. way: of the approved list, in sentences.

    objects: starting it now takes a reason. tells: what the relay tells now of what was planned.
    """

    work: WorkPicture
    way: tuple[str, ...]
    objects: bool
    tells: tuple[str, ...]

    @property
    def compared(self) -> bool:
        return any(line.ok is not None for line in self.work.lines)

    @property
    def told(self) -> str:
        """How what was read came out, in words."""
        lines = self.work.lines
        wrong = [line.says for line in lines if line.ok is False]
        if wrong:
            return f"NOT as expected: {', '.join(wrong)}"
        if not self.compared:
            return "nothing compared yet"
        well = sum(line.ok is True for line in lines)
        rest = "" if well == len(lines) else ", the rest not told yet"
        return f"{well} of {len(lines)} lines as expected{rest}"


@router.get("/work")
async def work(
    page: ThePage,
    person: Somebody,
    relay: Prefilled = "",
    to: Prefilled = "",
    expects: Prefilled = "",
    kind: WorkKind = WorkKind.UPDATE,
) -> Response:
    """relay, to, expects, kind: what the form for new work begins with."""
    state = page.behind.state()
    return await page.drawing.whole(
        person,
        "work.html",
        state=state,
        **await _values(page, state),
        **WORDS,
        given={"relays": relay, "to": to, "expects": expects, "kind": kind},
        KIND=KIND,
        relays=sorted(
            ((name, position(name, state)) for name, one in state.relays.items() if one.listed),
            key=lambda one: natural(one[1]),
        ),
        zone=page.behind.zone(),
    )


@router.get("/work/list")
async def part(page: ThePage, person: Somebody) -> Response:
    """For a page that stands already."""
    values = await _values(page, page.behind.state())
    return await page.drawing.part(person, "work_list.html", **values, **WORDS)


@router.post("/work/add")
async def add(request: Request, page: ThePage, person: Somebody) -> Response:
    """From the form: local times, and what is to be read afterwards as ATTRIBUTE=TEXT lines."""
    told = await fields(request, person, "work_add")
    return await carry_out(request, page, person, "work_add", told, lambda: planned(told))


@router.get("/work/{work_id}/sheet")
async def sheet(page: ThePage, person: Somebody, work_id: str) -> Response:
    """The page that goes along and that people sign."""
    state, site, now = page.behind.state(), page.behind.site(), page.behind.now()
    found = known(state.works.get(work_id), "work")
    made = await page.behind.threads.do(lambda: sheet_of(found, state, site, now))
    return await page.drawing.whole(person, "sheet.html", state=state, sheet=made)


def planned(told: Fields) -> dict[str, Any]:
    """The values of work_add. Raises Refusal where a time or a line is none."""

    def text(name: str) -> str:
        return told.get(name, [""])[0].strip()

    start, end = window(text("start"), text("end"), text("zone"))
    expects = {"swRev": text("to")} if text("to") else {}
    for line in text("expects").splitlines():
        name, equals, expected = line.partition("=")
        if line.strip() and not equals:
            raise Refusal(f"{line[: limits.SENTENCE_TEXT_MAX]}: write it as ATTRIBUTE=TEXT")
        if equals:
            expects[name.strip()] = expected.strip()
    return {
        "relays": text("relays").replace(",", " ").split(),
        "kind": text("kind"),
        "expects": expects,
        "start": stamp(start),
        "end": stamp(end),
        "zone": text("zone"),
        "reference": text("reference") or None,
        "although": text("although") or None,
    }


async def _values(page: Page, state: State) -> dict[str, Any]:
    site, now, live = page.behind.site(), page.behind.now(), page.behind.live()

    def make() -> dict[str, Any]:
        ordered = sorted(state.works.values(), key=lambda one: (one.plan.start, by_number(one.id)))
        ended = sorted(
            (one for one in ordered if one.state in ENDED), key=lambda one: one.since, reverse=True
        )

        def card(one: Work) -> Card:
            picture = asked(one, state, site, live.get(one.plan.relay), now)
            outside = not one.plan.start <= now <= one.plan.end
            return Card(
                work=picture,
                way=ways(one, site),
                objects=bool(picture.in_the_way) or outside or one.tries > 0,
                tells=tuple(_tells(one, state)) if one.state in OTHERWISE else (),
            )

        groups = []
        for head, states in GROUPS.items():
            found = [one for one in ordered if one.state in states]
            groups.append((head, [card(one) for one in found[:OPEN_SHOWN]], len(found)))
        return {
            "groups": groups,
            "ended": [work_row(one, state, now) for one in ended[:ENDED_SHOWN]],
            "ended_ever": len(ended),
            "investigations": investigations.rows(state, now),
            "works_for": _after_the_change(state),
            "left": left(state),
        }

    return await page.behind.threads.do(make)


def _tells(one: Work, state: State) -> Iterator[str]:
    relay = state.relays.get(one.plan.relay)
    plate = None if relay is None else present(relay)
    values = {} if plate is None else flat(plate)
    for name, planned_text in one.plan.expects.items():
        yield (
            f"{attribute(name)} {quoted(values[name]) if name in values else 'not read'}, "
            f"and {quoted(planned_text)} was planned"
        )


def _after_the_change(state: State) -> dict[str, tuple[str, ...]]:
    """For each relay: work that an investigation can be linked to."""
    found: dict[str, list[str]] = {}
    for name in sorted(state.works, key=by_number):
        found.setdefault(state.works[name].plan.relay, []).append(name)
    return {relay: tuple(names) for relay, names in found.items()}


def left(state: State) -> tuple[int, int]:
    """Relays whose firmware is not its target and has one; and on how many of them work is open."""
    behind = [
        name
        for name, relay in state.relays.items()
        if relay.listed
        and any(
            one.target is not None and one.status is not FirmwareStatus.CURRENT
            for one in relay.firmware.values()
        )
    ]
    return len(behind), sum(bool(state.works_of(name)) for name in behind)
