"""bayroll alarms list, show: what stands, what is kept back, and all of one alarm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated, Final

import typer
from rich.table import Table

from poller.answers.alarms import AlarmRow, Part, counted, rows
from poller.answers.one_alarm import AlarmPicture, picture
from poller.answers.words import count, moment, span
from poller.cli import common
from poller.cli.common import Exit, JsonOption, SiteOption
from poller.cli.relays import WIDE_ENOUGH
from poller.model.alarms import STATE_NAME, Alarm
from poller.model.canonical import plain
from poller.model.limits import SENTENCE_CHANGES_MAX
from poller.model.near import instead, near, positions
from poller.model.standing import State
from poller.site.alarm_catalogue import Catalogue
from poller.site.shipped_alarms import catalogue_of

HEADING: Final = {
    Part.KEPT_BACK: "kept back",
    Part.WAITING: "waiting for a delay",
    Part.NORMAL: "normal, was there once",
}
STATE_WIDTH: Final = 19  # "Returned to normal," of the longest name
POSITION_WIDTH: Final = 30  # more is folded, so that what an alarm says has room
POSITION_WIDTH_NARROW: Final = 14
STACKED_BELOW: Final = 72  # columns of a terminal; fewer would leave an id no line of its own


def list_(
    relay: Annotated[
        list[str] | None, typer.Argument(metavar="[RELAY]...", help="Only of these relays.")
    ] = None,
    everything: Annotated[
        bool,
        typer.Option(
            "--all",
            help="Also what is kept back, what waits for a delay, and what was there once.",
        ),
    ] = False,
    response: Annotated[
        bool, typer.Option("--response", help="With what to do, and within which time.")
    ] = False,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """What stands: alarms, then notices; highest priority and unacknowledged first.

    Ends with 1 where an alarm for the operator stands.
    """
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
        _relays_known(state, relay or ())
        common.tell_if_stopped(place)
        catalogue = _catalogue(place)
    parts = tuple(Part) if everything else (Part.ANNUNCIATED,)
    found = rows(state, datetime.now(UTC), catalogue, relays=relay or (), parts=parts)
    if as_json:
        for row in found:
            common.print_json(plain(row))
    else:
        _print_list(found, common.out.width, response)
        _print_counts(state, relay or ())
    stands = any(row.part is Part.ANNUNCIATED and row.for_operator for row in found)
    raise typer.Exit(Exit.FOUND if stands else Exit.DONE)


def _relays_known(state: State, names: Sequence[str]) -> None:
    """What stands first may have been meant for a command."""
    for name in names:
        if name not in state.relays:
            common.fail(
                Exit.BAD_INPUT,
                f"{name}: no such relay, and no command of alarms\n    mend: "
                + instead(near(name, positions(state.relays)), "see: bayroll list")
                + "; bayroll alarms --help",
            )


def _catalogue(place: common.Where) -> Catalogue | None:
    site = common.site_if_sound(place)
    return None if site is None else catalogue_of(site)


def _print_list(found: Sequence[AlarmRow], width: int, response: bool) -> None:
    most = POSITION_WIDTH if width >= WIDE_ENOUGH else POSITION_WIDTH_NARROW
    position = min(most, max((len(row.position) for row in found), default=0))
    for at, heading in enumerate(dict.fromkeys(_heading(row) for row in found)):
        common.out.print(f"{heading}:", soft_wrap=False)
        drawn = _table(width, position)
        drawn.show_header &= at == 0  # those below have columns of the same width
        for row in found:
            if _heading(row) == heading:
                drawn.add_row(*_cells(row, width, response))
        common.out.print(drawn)
    if found and width < WIDE_ENOUGH:
        letters = sorted({row.state for row in found})
        told = [f"{letter} {STATE_NAME[letter].lower()}" for letter in letters]
        common.out.print("; ".join(told), soft_wrap=False)


def operators_list(state: State, now: datetime, width: int) -> Table | None:
    """What stands for the operator, in few lines; None: nothing does."""
    found = [row for row in rows(state, now, parts=(Part.ANNUNCIATED,)) if row.for_operator]
    if not found:
        return None
    drawn = _table(width, max(len(row.position) for row in found))
    for row in found:
        drawn.add_row(*_cells(replace(row, note=None), width, response=False))
    return drawn


def _heading(row: AlarmRow) -> str:
    if row.part is not Part.ANNUNCIATED:
        return HEADING[row.part]
    return "alarms" if row.for_operator else "notices, which ask for no acknowledgement"


def _table(width: int, position: int) -> Table:
    """On a narrow terminal the state is its letter alone, and times are ages; on a very narrow one
    all else stands line by line beside that letter."""
    wide = width >= WIDE_ENOUGH
    drawn = Table(box=None, pad_edge=False, show_edge=False)
    drawn.add_column("", width=1)
    if width < STACKED_BELOW:
        drawn.show_header = False
        drawn.add_column("", overflow="fold")
        return drawn
    if wide:
        drawn.add_column("state", width=STATE_WIDTH)
    drawn.add_column("priority", width=8)
    drawn.add_column("since, UTC" if wide else "for", width=19 if wide else 11)
    drawn.add_column("position", width=max(position, 8), overflow="fold")
    drawn.add_column("what it says, and its id", overflow="fold")
    return drawn


def _cells(row: AlarmRow, width: int, response: bool) -> tuple[str, ...]:
    told = [part for part in (row.says, row.note) if part]
    if response and row.response and row.part is Part.ANNUNCIATED:
        told.append(f"do: {row.response} (within {span(60 * (row.time_to_respond_min or 0))})")
    says = "\n".join((*told, row.id))
    if width < STACKED_BELOW:
        head = f"{row.priority} priority, for {span(row.age_s)}"
        return row.state, f"{head}\n{row.position}\n{says}"
    if width < WIDE_ENOUGH:
        return row.state, row.priority, span(row.age_s), row.position, says
    since = moment(row.came).removesuffix(" UTC")
    return row.state, row.state_says, row.priority, since, row.position, says


def _print_counts(state: State, relays: Sequence[str]) -> None:
    told = counted(state, relays).says()
    others = sum(alarm.annunciated and not alarm.subject for alarm in state.alarms.values())
    if relays and others:
        told += f"; {others} more of several relays or of the poller"
    common.out.print(told, soft_wrap=False)


def show(
    name: Annotated[
        str, typer.Argument(metavar="ID", help="Of the alarm; see: bayroll alarms --all.")
    ],
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """One alarm: how it stands, what keeps it back, and what the catalogue says of it."""
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
        alarm = _alarm(state, name)
        common.tell_if_stopped(place)
        seen = picture(alarm, state, datetime.now(UTC), _catalogue(place))
    if as_json:
        common.print_json(plain(seen))
    else:
        _print(seen)


def _alarm(state: State, name: str) -> Alarm:
    if name not in state.alarms:
        subject = name.partition(".")[0]
        near = sorted(one for one in state.alarms if one.partition(".")[0] == subject)
        some = ", ".join(near[:SENTENCE_CHANGES_MAX])
        told = f"there are {some}" if near else "see: bayroll alarms --all"
        common.fail(Exit.BAD_INPUT, f"{name}: no such alarm so far; {told}")
    return state.alarms[name]


def _print(seen: AlarmPicture) -> None:
    out = common.out
    relay = "" if seen.relay is None else f" ({seen.relay})"
    out.print(f"{seen.id}  {seen.position}{relay}: {seen.says or 'it never came'}")
    beneath = "" if seen.state == seen.stands else f", beneath that {seen.stands_says.lower()}"
    out.print(f"{seen.kind}, {seen.priority} priority: {seen.state} {seen.state_says}{beneath}")
    out.print(f"since {moment(seen.came)}, for {span(seen.age_s)}; next: {seen.next}")
    for hold in seen.inhibits:
        out.print(f"{moment(hold.since)}  {hold.says}")
    if seen.acknowledged is not None:
        out.print(f"{moment(seen.acknowledged.at)}  {seen.acknowledged.says}")
    for wait in seen.waits:
        out.print(wait)
    if seen.rationalisation is None:
        out.print("the catalogue says nothing of it, or can't be read")
    else:
        drawn = Table(box=None, pad_edge=False, show_edge=False, show_header=False)
        for heading, said in _rationalised(seen):
            drawn.add_row(heading, said)
        out.print(drawn)
    told = "told last:" if seen.recent else "never told"
    out.print(f"it came {count(seen.occurrences, 'time', 'times')}; the operator was {told}")
    for at in seen.recent:
        out.print(f"  {moment(at)}")


def _rationalised(seen: AlarmPicture) -> list[tuple[str, str]]:
    told = seen.rationalisation
    assert told is not None, "asked only where the catalogue says something"
    latch = "; then it is held until it is reset" if told.latching else ""
    return [
        ("if nobody acts", told.consequence),
        ("what to do", told.response),
        ("within", span(60 * told.time_to_respond_min)),
        ("comes after", span(told.on_delay_s)),
        ("goes after", f"{span(told.off_delay_s)}{latch}"),
        ("why so", told.reason),
    ]
