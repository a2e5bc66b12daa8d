"""What happened: the journal as sentences, the newest first, sifted and a page at a time."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Any, Final, TypeAlias
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query
from fastapi.responses import Response

from poller.answers.classes import CLASSES, Weight
from poller.answers.listing import natural
from poller.model import limits
from poller.model.standing import State
from poller.web.events import SEQ_MAX, After, Asked, Before, Classes, Text, moment, these, told
from poller.web.page import Page, page_of
from poller.web.shapes import Event, Events
from poller.web.who import Somebody

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]
Seqs: TypeAlias = Annotated[
    list[Annotated[int, Query(ge=1, le=SEQ_MAX)]] | None, Query(max_length=limits.PAGE_ROWS_MAX)
]
A_PAGE: Final = 50
MARKS: Final = {Weight.GRAVE: "bad", Weight.NOTE: "warn"}
"""How an event is marked, beside the words for its class."""


LOOKS: Final = {
    "at relays": (
        *("unplanned", "wrong_version", "planned", "swapped", "hardware", "settings", "spelling"),
        *("first_read", "list", "flags", "health", "silence", "restarts"),
    ),
    "nobody planned": ("unplanned", "wrong_version", "swapped", "hardware", "settings"),
    "what people did": ("investigations", "work", "entered", "planning", "people"),
    "alarms": ("alarms",),
}
"""What is asked for most, each at one touch."""


async def asked(
    of: Text = None, classes: Classes = None, since: Text = None, until: Text = None
) -> Asked:
    """of: relay:ID, bay:NAME, or poller; as the form has it. Async, or it would take a thread."""
    kind, _, name = (of or "").partition(":")
    return Asked(
        relay=name if kind == "relay" else "" if kind == "poller" else None,
        bay=name if kind == "bay" else None,
        classes=tuple(name for name in classes or () if name in CLASSES),
        since=moment("since", since),
        until=moment("until", until),
    )


Which: TypeAlias = Annotated[Asked, Depends(asked)]


@router.get("/changes")
async def changes(page: ThePage, person: Somebody, which: Which, before: Before = None) -> Response:
    state = page.behind.state()
    found = await _found(page, which, state, before=before)
    return await page.drawing.whole(
        person,
        "changes.html",
        state=state,
        which=which,
        found=found,
        first=before is None,
        query=_query(which),
        older=_query(which, before=found.older),
        bays=_bays(state),
        **WORDS,
    )


@router.get("/changes/rows")
async def rows(
    page: ThePage, person: Somebody, which: Which, after: After = 0, before: Before = None
) -> Response:
    """What came after an event, for a page that stands already."""
    found = await _found(page, which, page.behind.state(), after=after, before=before)
    return await page.drawing.part(person, "change_rows.html", found=found, **WORDS)


@router.get("/changes/again")
async def again(page: ThePage, person: Somebody, seq: Seqs = None) -> Response:
    """Rows that stand there already, as they are now: a disposition came, or work was linked."""
    behind, state = page.behind, page.behind.state()
    found = await behind.threads.do(lambda: these(behind, state, seq or ()))
    return await page.drawing.part(person, "change_rows.html", found=found, **WORDS)


async def _found(
    page: Page, which: Asked, state: State, *, after: int = 0, before: int | None = None
) -> Events:
    behind = page.behind
    return await behind.threads.do(
        lambda: told(behind, which, state, after=after, before=before, limit=A_PAGE)
    )


def _query(which: Asked, before: int | None = None) -> str:
    """As the form asks for it."""
    return urlencode(list(_fields(which, before)))


def _fields(which: Asked, before: int | None) -> Iterator[tuple[str, str]]:
    if which.of:
        yield "of", which.of
    yield from (("class", name) for name in which.classes)
    for name, at in (("since", which.since), ("until", which.until)):
        if at is not None:
            yield name, local(at)
    if before is not None:
        yield "before", str(before)


def local(at: datetime | None) -> str:
    """As a field for a date and a time has it; UTC."""
    return "" if at is None else at.replace(tzinfo=None).isoformat(timespec="minutes")


def _bays(state: State) -> list[tuple[str, list[tuple[str, str]]]]:
    """Each with id and function of its relays, those that are listed no more too."""
    found: dict[str, list[tuple[str, str]]] = {}
    for name, relay in state.relays.items():
        found.setdefault(relay.bay, []).append((name, relay.function))
    return [
        (bay, sorted(relays, key=lambda one: natural(one[1])))
        for bay, relays in sorted(found.items(), key=lambda item: natural(item[0]))
    ]


def sentence(event: Event) -> str:
    """Without its position, where that stands before it already."""
    return event.sentence.removeprefix(f"{event.position}: ") if event.position else event.sentence


WORDS: Final[dict[str, Any]] = {
    "looks": {says: urlencode([("class", one) for one in names]) for says, names in LOOKS.items()},
    "classes": CLASSES,
    "marks": MARKS,
    "sentence": sentence,
    "local": local,
}
