"""bayroll list, show, history: what is known, from the journal and from the running service."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated, Final

import typer
from rich.table import Table

from poller.answers.alarms import counted
from poller.answers.history import Entry, Wanted, entries
from poller.answers.listing import Row, rows, select
from poller.answers.one import Picture, picture
from poller.answers.spares import box, follow, known
from poller.answers.words import BEHAVIOUR, HEALTH, count, moment, span
from poller.cli import common
from poller.cli.common import Exit, JsonOption, SiteOption, Where
from poller.journal import Journal
from poller.journal.snapshot import base
from poller.model.canonical import plain
from poller.model.events import KINDS, Recorded
from poller.model.standing import State
from poller.model.text import shown
from poller.model.work import FirmwareStatus

ANSWERING: Final = {None: "not asked yet", True: "yes", False: "no"}


BASELINES: Final = ("new", "accepted", "differs")
WIDE_ENOUGH: Final = 105  # columns of a terminal; below, what a person needs least is left out
LIST_WIDE_ENOUGH: Final = 120  # likewise, for the roll; the id stays, since commands ask for it
COLUMNS: Final[dict[str, Callable[[Row], str]]] = {
    "relay": lambda row: row.id,
    "bay": lambda row: row.bay,
    "function": lambda row: row.function,
    "model": lambda row: row.model or "-",
    "serial": lambda row: row.serNum or "-",
    "firmware": lambda row: row.swRev or "-",
    "baseline": lambda row: row.baseline,
    "flags": lambda row: ", ".join((*row.flags, *row.troubles)) or "-",
    # the gravest of all its firmwares; bayroll show and bayroll approved tell each
    "against the list": lambda row: (row.firmware_status or "-").replace("_", " "),
    "open": lambda row: row.open_says or "-",
    "health": lambda row: _health(row),
    "answering": lambda row: _answering(row),
    "read": lambda row: _age(row),
}
WHERE_SAID: Final = frozenset({"against the list", "open"})  # else they would be columns of dashes


def relay_table(table: Iterable[Row], width: int, *, polled: bool = True) -> Table:
    """The roll as a person reads it; device text is escaped already. width: of the terminal.

    polled: a service runs; else whether a relay answers now is not known.
    """
    table = tuple(table)
    columns = COLUMNS | {"answering": lambda row: _answering(row, polled=polled)}
    narrow = left_out(table, width)
    names = [
        name
        for name, told in columns.items()
        if name not in narrow and (name not in WHERE_SAID or any(told(row) != "-" for row in table))
    ]
    drawn = common.table(names)
    drawn.columns[0].no_wrap = True  # an id in two pieces is copied as neither
    for row in table:
        drawn.add_row(*(columns[name](row) for name in names))
    return drawn


def left_out(table: Iterable[Row], width: int) -> tuple[str, ...]:
    """Columns for which a narrow terminal has no room; a baseline that differs always has."""
    if width >= LIST_WIDE_ENOUGH:
        return ()
    differs = any(row.baseline == "differs" for row in table)
    return ("bay", "function", "model", "serial", *(() if differs else ("baseline",)))


def _answering(one: Row | Picture, *, polled: bool = True) -> str:
    if one.paused:
        return "paused"
    return ANSWERING[one.answering] if polled else "not known"


def _health(row: Row) -> str:
    health = "-" if row.health is None else HEALTH[row.health]
    in_service = row.behaviour is None or BEHAVIOUR[row.behaviour] == "on"
    return health if in_service else f"{health}, {BEHAVIOUR[row.behaviour]}"  # type: ignore[index]


def _age(row: Row) -> str:
    if row.age_s is None:
        return "-" if row.quality is None else str(row.quality)
    age = f"{span(row.age_s)} ago"
    return age if row.quality == "good" else f"{age} ({row.quality})"


def list_(
    text: Annotated[
        str | None, typer.Argument(help="Only relays in whose row this text stands.")
    ] = None,
    bay: Annotated[str | None, typer.Option("--bay", help="Only this bay.")] = None,
    flag: Annotated[str | None, typer.Option("--flag", help="Only with this flag up.")] = None,
    baseline: Annotated[
        str | None, typer.Option("--baseline", help="new, accepted or differs.")
    ] = None,
    firmware_status: Annotated[
        FirmwareStatus | None,
        typer.Option(
            "--firmware-status", help="Only where this is the gravest of its firmwares' status."
        ),
    ] = None,
    something_open: Annotated[
        bool, typer.Option("--open", help="Only with work or an investigation that is open.")
    ] = False,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Every relay by bay: who made it, which firmware, which flags, and how old the reading is."""
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
        common.bay_known(state, bay)
        common.one_of("baseline", baseline, BASELINES)
        _flag_known(state, place, flag)
        live = common.live_if_polled(place)
        found = rows(state, live or {}, datetime.now(UTC))
        if live is None:
            found = tuple(replace(row, answering=None) for row in found)
    found = select(
        found,
        text=text,
        bay=bay,
        flag=flag,
        baseline=baseline,
        firmware_status=firmware_status,
        something_open=something_open or None,
    )
    if as_json:
        for row in found:
            common.print_json(plain(row))
    else:
        common.out.print(relay_table(found, common.out.width, polled=live is not None))
        common.out.print(count(len(found), "relay", "relays"))
        narrow = left_out(found, common.out.width)
        if narrow:
            common.say(f"on {LIST_WIDE_ENOUGH} columns or more also: {', '.join(narrow)}")
        stand = counted(state)
        if stand.alarms or stand.notices:
            common.out.print(f"of this site: {stand.says()}; see: bayroll alarms")


def _flag_known(state: State, place: Where, asked: str | None) -> None:
    """Of the maps of the site; where these have faults just now any flag may be one."""
    site = None if asked is None else common.site_if_sound(place)
    if site is not None:
        told = {flag for each in site.maps.values() for flag in each.flags}
        rose = {flag for relay in state.relays.values() for flag in relay.flags}
        common.one_of("flag", asked, told | rose)


def show(
    relay: Annotated[str, typer.Argument(metavar="RELAY", help="A relay's id.")],
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """All that is known of RELAY: nameplate against baseline, flags, status, findings."""
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
        common.relays_known(state, [relay])
        live = common.live_if_polled(place)
        seen = picture(state, relay, (live or {}).get(relay), datetime.now(UTC))
        if live is None:
            seen = replace(seen, answering=None)
    if as_json:
        common.print_json(plain(seen))
    else:
        _print_picture(seen, polled=live is not None)


def _print_picture(seen: Picture, *, polled: bool) -> None:
    out = common.out
    out.print(f"{seen.bay} {seen.function}  ({seen.id}, {seen.address}, map {seen.map or 'none'})")
    state = _answering(seen, polled=polled)
    state = state if seen.paused else f"answering: {state}"
    out.print(f"{state}; baseline {seen.baseline.word}; nameplate {seen.source or 'not read yet'}")
    if seen.attributes:
        table = Table("", "now", "accepted", "", box=None, pad_edge=False)
        for line in seen.attributes:
            mark = "differs" if line.differs else ""
            table.add_row(line.says, line.present or "-", line.accepted or "-", mark)
        out.print(table)
    for firmware in seen.firmware:
        target = "" if firmware.target is None else f"; target {firmware.target}"
        rule = "" if firmware.rule is None else f" (rule {firmware.rule})"
        out.print(f"{firmware.says}: {firmware.status_says}{target}{rule}")
    for work in seen.work:
        out.print(f"work {work.id}, {work.meant}: {work.says}, for {span(work.age_s)}")
    for asked in seen.investigations:
        out.print(f"investigation {asked.id}, open for {span(asked.age_s)}: {asked.says}")
    for alarm in seen.alarms:
        out.print(
            f"{alarm.kind} {alarm.id}, {alarm.priority} priority, for {span(alarm.age_s)}: "
            f"{alarm.state_says.lower()}: {alarm.says}"
        )
    for flag in seen.flags:
        out.print(f"flag {flag.flag}, up for {span(flag.age_s)}: {flag.says}")
    if seen.status:
        table = Table("status", "", "quality", "read", box=None, pad_edge=False)
        for value in seen.status:
            table.add_row(value.name, value.says, str(value.quality), f"{span(value.age_s)} ago")
        out.print(table)
    if seen.manual is not None:
        by = seen.manual.by or "nobody named"
        out.print(f"read at the front panel {span(seen.manual.age_s)} ago by {by}:")
        for name, text in sorted(seen.manual.values.items()):
            out.print(f"  {name} {text}")
    for trouble in (*seen.troubles, *seen.findings):
        out.print(f"noted: {trouble}")
    for other in seen.duplicates:
        out.print(f"the same serial number stands at {other}")


def history(
    relay: Annotated[
        str | None, typer.Argument(metavar="[RELAY]", help="A relay's id; all without it.")
    ] = None,
    kind: Annotated[
        list[str] | None, typer.Option("--kind", help="Only events of this kind; may be repeated.")
    ] = None,
    last: Annotated[
        int, typer.Option("--last", help="How many, the newest.", min=1, max=1_000_000)
    ] = 50,
    serial: Annotated[
        str | None,
        typer.Option(
            "--serial", help="What happened to this box, from position to position and on shelves."
        ),
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """What happened, oldest first, in sentences."""
    kinds = {name for name, _ in KINDS}
    unknown = sorted(set(kind or ()) - kinds)
    if unknown:
        common.fail(
            Exit.BAD_INPUT,
            f"{unknown[0]}: no such kind\n    mend: one of {', '.join(sorted(kinds))}",
        )
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
            common.relays_known(state, [] if relay is None else [relay])
            if serial is None:
                newest = journal.history(
                    subject=relay, kinds=kind or None, limit=last, newest_first=True
                )
                recorded = newest[::-1]
            else:
                wanted = Wanted(subjects=[] if relay is None else [relay], kinds=kind or ())
                recorded = _of_box(journal, serial, wanted, last)
        told: list[Entry] = list(entries(recorded, state, Wanted()))
    if serial is not None and not as_json:
        _print_places(serial, state)
    for entry in told:
        if as_json:
            common.print_json(plain(entry))
        else:
            by = f"  [{entry.by}]" if entry.by else ""
            common.out.print(f"{entry.at}  {entry.sentence}{by}")


def _of_box(journal: Journal, serial: str, wanted: Wanted, last: int) -> list[Recorded]:
    """The newest events of a box; the whole journal is looked at, for it may have been anywhere."""
    before = base(journal.reader)
    of_it = follow(_all(journal, before.seq), serial, before)
    return list(deque((one for one in of_it if wanted.has(one)), maxlen=last))


def _all(journal: Journal, after: int) -> Iterator[Recorded]:
    while batch := journal.read(after):
        yield from batch
        after = batch[-1].seq


def _print_places(serial: str, state: State) -> None:
    boxes = known(state, serial)
    if not boxes:
        common.err.print(f"no box with serial number {shown(serial)} is known")
    for told in (box(one, state) for one in boxes):
        common.out.print(f"{told.vendor} serial number {told.serNum}:")
        for place in told.places:
            until = "now" if place.until is None else moment(place.until)
            common.out.print(f"  {moment(place.since)} to {until}  {place.says}")
