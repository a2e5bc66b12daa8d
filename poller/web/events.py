"""The journal as the page and the API tell it: which events are asked for, and a page of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Annotated, Final, TypeAlias

from fastapi import APIRouter, Depends, HTTPException, Query
from fastapi.responses import JSONResponse, Response

from poller.answers import history, investigations
from poller.answers.classes import CLASSES, class_of, kinds_of, weight
from poller.journal import Sought
from poller.model import limits
from poller.model.canonical import plain
from poller.model.events import (
    KINDS,
    DispositionGiven,
    Event,
    InvestigationLinked,
    InvestigationOpened,
    NameplateChanged,
    Recorded,
)
from poller.model.standing import Investigation, State
from poller.web import shapes
from poller.web.behind import Behind
from poller.web.page import Page, page_of

router = APIRouter()  # part of the API's
SEQ_MAX: Final = 2**63 - 1
Text: TypeAlias = Annotated[str | None, Query(max_length=limits.TEXT_MAX)]
Kinds: TypeAlias = Annotated[list[str] | None, Query(max_length=len(KINDS))]
Classes: TypeAlias = Annotated[list[str] | None, Query(alias="class", max_length=len(CLASSES))]
Before: TypeAlias = Annotated[int | None, Query(ge=1, le=SEQ_MAX)]
After: TypeAlias = Annotated[int, Query(ge=0, le=SEQ_MAX)]
ABOUT_ONE: Final = (InvestigationOpened, InvestigationLinked, DispositionGiven)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Empty or None: any. classes: of answers.classes. since is included, until is not."""

    relay: str | None = None
    bay: str | None = None
    classes: Collection[str] = ()
    kinds: Collection[str] | None = None
    since: datetime | None = None
    until: datetime | None = None

    @property
    def of(self) -> str:
        """relay:ID, bay:NAME, poller, or nothing: as a form asks for it."""
        if self.relay is not None:
            return f"relay:{self.relay}" if self.relay else "poller"
        return "" if self.bay is None else f"bay:{self.bay}"

    def sought(self, state: State) -> Sought:
        """Raises HTTPException for a class that there is not."""
        unknown = sorted(set(self.classes) - CLASSES.keys())
        if unknown:
            raise HTTPException(
                422, f"class: there is no {unknown[0]!a}; use some of {', '.join(CLASSES)}"
            )
        kinds = self.kinds or None
        if self.classes:
            kinds = [one for one in kinds_of(self.classes) if kinds is None or one in kinds]
        return Sought(
            subjects=self._subjects(state),
            kinds=None if kinds is None else tuple(kinds),
            since=self.since,
            until=self.until,
            fits=self._fits if self.classes else lambda event: True,
        )

    def _subjects(self, state: State) -> tuple[str, ...] | None:
        if self.relay is not None:
            return (self.relay,)
        if self.bay is None:
            return None
        return tuple(name for name, one in state.relays.items() if one.bay == self.bay)

    def _fits(self, event: Event) -> bool:
        return class_of(event.body) in self.classes


def told(
    behind: Behind,
    asked: Asked,
    state: State,
    *,
    after: int = 0,
    before: int | None = None,
    limit: int,
) -> shapes.Events:
    """The newest first. Reads the journal, so beside the loop."""
    found = behind.journal.page(asked.sought(state), after=after, before=before, limit=limit)
    older = found.older if found.older is None or found.older > 1 else None
    return shapes.Events(
        seq=state.seq, events=_told(found.events, state, behind.now()), older=older
    )


def these(behind: Behind, state: State, seqs: Sequence[int]) -> shapes.Events:
    """Of these numbers, the newest first, as they are now."""
    found = behind.journal.reader.those(seqs)
    return shapes.Events(seq=state.seq, events=_told(found, state, behind.now()), older=None)


def _told(found: Sequence[Recorded], state: State, now: datetime) -> tuple[shapes.Event, ...]:
    """A change has the investigation that it led to: that is opened in the same moment."""
    by_change = {(one.relay, one.opened_at): one for one in state.investigations.values()}
    return tuple(_event(one, state, by_change, now) for one in found)


def _event(
    recorded: Recorded,
    state: State,
    by_change: Mapping[tuple[str, datetime], Investigation],
    now: datetime,
) -> shapes.Event:
    body, about = recorded.event.body, None
    if isinstance(body, ABOUT_ONE):
        about = state.investigations.get(body.investigation)
    elif isinstance(body, NameplateChanged):
        about = by_change.get((recorded.event.subject, recorded.event.at))
    return shapes.Event(
        **asdict(history.entry(recorded, state)),
        event_class=class_of(body),
        weight=weight(body),
        hash=recorded.hash,
        investigation=None if about is None else investigations.row(about, state, now),
    )


def moment(name: str, text: str | None) -> datetime | None:
    """2026-03-01T08:00, UTC where no offset stands there; blank: none. Raises HTTPException."""
    if text is None or not text.strip():
        return None
    try:
        at = datetime.fromisoformat(text.strip())
        return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    except (ValueError, OverflowError) as reason:
        raise HTTPException(422, f"{name}: write a moment as 2026-03-01T08:00, in UTC") from reason


@router.get("/events", response_model=shapes.Events)
async def events(
    page: Annotated[Page, Depends(page_of)],
    relay: Text = None,
    bay: Text = None,
    classes: Classes = None,
    kind: Kinds = None,
    since: Text = None,
    until: Text = None,
    after: After = 0,
    before: Before = None,
    limit: Annotated[int, Query(ge=1, le=limits.PAGE_ROWS_MAX)] = 50,
) -> Response:
    """The journal, the newest first. relay, bay: only about it; class, kind: only of these.

    since, until: 2026-03-01T08:00, UTC unless an offset stands there; the second is not included.
    """
    behind, state = page.behind, page.behind.state()
    asked = Asked(
        relay=relay,
        bay=bay,
        classes=classes or (),
        kinds=kind,
        since=moment("since", since),
        until=moment("until", until),
    )
    return await behind.threads.do(
        lambda: JSONResponse(
            plain(told(behind, asked, state, after=after, before=before, limit=limit))
        )
    )
