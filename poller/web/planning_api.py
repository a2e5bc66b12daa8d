"""The API to look ahead: what is due, what to fetch, what advisories say, which versions run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from poller.answers.advisories import AdvisoryRow
from poller.answers.due import DueRow, FetchRow
from poller.answers.sheet import Sheet
from poller.answers.sheet import sheet as sheet_of
from poller.answers.versions import FamilyRow, families
from poller.model.canonical import Utc
from poller.model.problems import Problem
from poller.model.text import shown
from poller.planning.boxes import unread
from poller.site.approved import DEVICE
from poller.web.api import Name, answer, known
from poller.web.page import Page, page_of
from poller.web.planned import told
from poller.web.shapes import REFUSALS
from poller.web.who import person

router = APIRouter(tags=["look"], dependencies=[Depends(person)], responses=REFUSALS)
ThePage = Annotated[Page, Depends(page_of)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dues:
    """due: of relays and makers, the most pressing first. fetch: packages for every step."""

    seq: int
    due: tuple[DueRow, ...]
    fetch: tuple[FetchRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NameUnknown:
    file: str
    vendor: str | None
    product: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advisories:
    """read: the site names a file of families. unusable: documents, and why. names_unknown: that
    no family here has. relays_unknown: ids of those whose model nothing tells."""

    seq: int
    read: bool
    advisories: tuple[AdvisoryRow, ...]
    unusable: tuple[Problem, ...]
    names_unknown: tuple[NameUnknown, ...]
    relays_unknown: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Versions:
    seq: int
    families: tuple[FamilyRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """version: None: not read."""

    version: str | None
    relays: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """at: from then on."""

    at: Utc
    running: tuple[Running, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadRow:
    """rule: its id; None: what no rule is for. turns: moments at which a number changed."""

    rule: str | None
    firmware: str
    turns: tuple[Since, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadOverTime:
    seq: int
    spread: tuple[SpreadRow, ...]


@router.get("/due", response_model=Dues)
async def due(page: ThePage) -> Response:
    """What is due, why, by which way, what stands in the way; and which packages to fetch."""
    state = page.behind.state()
    found = await told(page, state)
    return await answer(page, lambda: Dues(seq=state.seq, due=found.due, fetch=found.fetch))


@router.get("/advisories", response_model=Advisories)
async def advisories(page: ThePage) -> Response:
    """What advisories and service bulletins say of each relay and spare."""
    state = page.behind.state()
    found = await told(page, state)

    def make() -> Advisories:
        return Advisories(
            seq=state.seq,
            read=found.known.named,
            advisories=found.advisories,
            unusable=found.unusable,
            names_unknown=tuple(
                NameUnknown(
                    file=shown(file),
                    vendor=None if vendor is None else shown(vendor),
                    product=shown(product),
                )
                for file, vendor, product in found.known.held.elsewhere
            ),
            relays_unknown=unread(state),
        )

    return await answer(page, make)


@router.get("/versions", response_model=Versions)
async def versions(page: ThePage) -> Response:
    """Of each family how many relays run which version, beside the approved list."""
    state, site = page.behind.state(), page.behind.site()
    return await answer(page, lambda: Versions(seq=state.seq, families=families(state, site)))


@router.get("/versions/over-time", response_model=SpreadOverTime)
async def over_time(page: ThePage) -> Response:
    """The same from the beginning of the journal."""
    state = page.behind.state()

    def make() -> SpreadOverTime:
        rows = (
            SpreadRow(
                rule=rule,
                firmware=DEVICE if attribute == "swRev" else shown(attribute.split(".")[1]),
                turns=tuple(
                    Since(
                        at=turn.at,
                        running=tuple(
                            Running(
                                version=None if version is None else shown(version), relays=count
                            )
                            for version, count in turn.counts.items()
                        ),
                    )
                    for turn in turns
                ),
            )
            for (rule, attribute), turns in page.spread.turns().items()
        )
        return SpreadOverTime(seq=state.seq, spread=tuple(rows))

    return await answer(page, make)


@router.get("/work/{work_id}/sheet", response_model=Sheet)
async def sheet(page: ThePage, work_id: Name) -> Response:
    """The work sheet: what people do, save, check and sign."""
    state, site, now = page.behind.state(), page.behind.site(), page.behind.now()
    found = known(state.works.get(work_id), "work")
    return await answer(page, lambda: sheet_of(found, state, site, now))
