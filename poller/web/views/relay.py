"""One relay: how it stands, what it is against what was accepted, what is due, what happened."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Final, TypeAlias

from fastapi import APIRouter, Depends, HTTPException, Path, Query
from fastapi.responses import Response

from poller.answers import alarms
from poller.answers.classes import Weight
from poller.answers.one import picture
from poller.answers.timeline import in_words
from poller.answers.work_words import DISPOSITION, STATE
from poller.model import limits
from poller.model.standing import State
from poller.model.work import ENDED
from poller.site.shipped_alarms import catalogue_of
from poller.web.behind import Behind
from poller.web.one_relay import SPANS, due_of, history, known, raw
from poller.web.page import Page, page_of
from poller.web.picture import PAPERS, drawn
from poller.web.views.alarms import HERE, PARTS
from poller.web.views.relays import weight_of
from poller.web.views.work_steps import sign
from poller.web.who import Somebody

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
Name: TypeAlias = Annotated[str, Path(min_length=1, max_length=limits.TEXT_MAX)]
Span: TypeAlias = Annotated[str | None, Query(max_length=8)]
Values: TypeAlias = dict[str, Any]
IN_WORDS_MAX: Final = 100  # rows of a lane in words, the newest
SIGNS: Final = {Weight.GRAVE: "▲", Weight.NOTE: "◆", Weight.REST: "●", Weight.UNKNOWN: "●"}
MARKS: Final = {Weight.GRAVE: "bad", Weight.NOTE: "warn"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a part is made of."""

    behind: Behind
    state: State
    relay: str
    span: str | None

    def one(self) -> Values:
        now, reading = self.behind.now(), self.behind.live().get(self.relay)
        return {"seen": picture(self.state, self.relay, reading, now)}

    def due(self) -> Values:
        return {"due": due_of(self.behind, self.state, self.relay)}

    def alarms(self) -> Values:
        catalogue = catalogue_of(self.behind.site())
        found = alarms.rows(
            self.state, self.behind.now(), catalogue, relays=(self.relay,), parts=PARTS
        )
        return {
            "parts": [("Alarms and notices", found)],
            "here": catalogue.acknowledged_over == HERE,
            "over": catalogue.acknowledged_over,
            "hours": range(1, catalogue.shelving_max_h + 1),
            "back": f"/relays/{self.relay}",
        }

    def work(self) -> Values:
        ended = [
            work
            for work in self.state.works.values()
            if work.plan.relay == self.relay and work.state in ENDED
        ]
        works_for = {self.relay: [work.id for work in self.state.works_of(self.relay)]}
        return self.one() | {"ended": ended, "works_for": works_for}

    def history(self) -> Values:
        told, span = history(self.behind, self.state, self.relay, self.span)
        pictures = [drawn(told, paper) for paper in PAPERS]
        return {"told": told, "span": span, "pictures": pictures, "relay": self.relay}

    def registers(self) -> Values:
        return {"raw": raw(self.behind, self.relay), "relay": self.relay}


PARTS_OF: Final[dict[str, Callable[[Seen], Values]]] = {
    "now": Seen.one,
    "polling": Seen.one,
    "alarms": Seen.alarms,
    "nameplate": Seen.one,
    "firmware": Seen.one,
    "due": Seen.due,
    "work": Seen.work,
    "history": Seen.history,
    "registers": Seen.registers,
}
"""Pieces that are drawn anew one by one, each by its template."""
VALUES: Final = {
    "health": "health",
    "behaviour": "behaviour",
    "setting_group": "setting group",
    "free_memory_kb": "memory",
    "stored_records": "kept in it",
    "uptime_s": "running for",
    "relay_time": "its own clock",
}
"""Names of values of a status, for people."""
WORDS: Final[Values] = {
    "SPANS": SPANS,
    "SIGNS": SIGNS,
    "MARKS": MARKS,
    "STATE": STATE,
    "VALUES": VALUES,
    "DISPOSITION": DISPOSITION,
    "IN_WORDS_MAX": IN_WORDS_MAX,
    "in_words": in_words,
    "sign": sign,
    "weight_of": weight_of,
}


@router.get("/relays/{relay}")
async def whole(page: ThePage, person: Somebody, relay: Name, span: Span = None) -> Response:
    seen = _seen(page, relay, span)
    values: Values = {}
    for make in dict.fromkeys(PARTS_OF.values()):
        values |= await page.behind.threads.do(lambda make=make: make(seen))  # type: ignore[misc]
    return await page.drawing.whole(
        person, "relay.html", state=seen.state, **values, **WORDS, asked_span=span
    )


@router.get("/relays/{relay}/{part}")
async def piece(
    page: ThePage, person: Somebody, relay: Name, part: str, span: Span = None
) -> Response:
    """For a page that stands already."""
    if part not in PARTS_OF:
        raise HTTPException(404, "no such part")
    seen = _seen(page, relay, span)
    values = await page.behind.threads.do(lambda: PARTS_OF[part](seen))
    return await page.drawing.part(person, f"relay/{part}.html", **values, **WORDS)


def _seen(page: Page, relay: str, span: str | None) -> Seen:
    if span is not None and span not in SPANS:
        raise HTTPException(422, f"span: use one of {', '.join(SPANS)}")
    state = page.behind.state()
    return Seen(behind=page.behind, state=state, relay=known(state, relay), span=span)
