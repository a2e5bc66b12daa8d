"""bayroll work: plan work on relays, and take it from start to signature."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from poller.answers.spares import SHELF, known
from poller.answers.work import InTheWay, asked
from poller.answers.work_words import NOTE
from poller.cli import common, work_look
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, ReferenceOption, SiteOption, WhoOption, WhyOption
from poller.cli.zone import machine_zone
from poller.model.canonical import plain, stamp
from poller.model.standing import State
from poller.model.standing import shown as present
from poller.model.work import Asset, NoteKind, SettingsFile, WorkKind
from poller.site.settings import Site
from poller.work.of_the_box import PRESENT_VERSION
from poller.work.window import window

work = typer.Typer(no_args_is_help=True, help="Planned work: updates, replacements, settings.")
work.command("list")(work_look.list_)
work.command()(work_look.show)
work.command()(work_look.sheet)
WorkArgument = Annotated[str, typer.Argument(metavar="ID", help="Of the work; see: work list.")]
AlthoughOption = Annotated[
    str | None,
    typer.Option("--although", help="Why it is done against a rule; the journal keeps it."),
]


@work.command()
def add(
    relays: Annotated[list[str], typer.Argument(metavar="RELAY...", help="Relays' ids.")],
    start: Annotated[str, typer.Option("--start", help="2026-03-01 09:00, in --zone.")],
    end: Annotated[str, typer.Option("--end", help="2026-03-01 13:00, in --zone.")],
    kind: Annotated[WorkKind | None, typer.Option("--kind", help="Default: update.")] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="The same as --kind replacement.")
    ] = False,
    to: Annotated[
        str | None, typer.Option("--to", metavar="VERSION", help="The firmware afterwards.")
    ] = None,
    expect: Annotated[
        list[str] | None,
        typer.Option(
            "--expect",
            metavar="ATTRIBUTE=TEXT",
            help="What else is to be read afterwards, for example components.boot.swRev=2.5 or "
            "serNum=TW1900044; may be repeated. What is not named is to be what it was.",
        ),
    ] = None,
    spare: Annotated[
        str | None,
        typer.Option(
            "--spare",
            metavar="SERIAL",
            help="The box on the shelf that comes: its serial number, order code and firmware.",
        ),
    ] = None,
    zone: Annotated[
        str | None, typer.Option("--zone", help="Time zone, Europe/Berlin; default: the machine's.")
    ] = None,
    reference: ReferenceOption = None,
    settings: Annotated[
        Path | None, typer.Option("--settings", metavar="FILE", help="The settings to be loaded.")
    ] = None,
    settings_after: Annotated[
        Path | None,
        typer.Option("--settings-after", metavar="FILE", help="The same after conversion."),
    ] = None,
    reviewed_by: Annotated[
        str | None, typer.Option("--reviewed-by", help="Who reviewed the settings.")
    ] = None,
    although: AlthoughOption = None,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Plan work, one piece for each RELAY; its window is as long as START and END say."""
    with common.told():
        meant = _kind(kind, replace)
        begins, ends = window(start, end, zone or machine_zone())
        files = _settings(settings, settings_after, reviewed_by)
        place = common.where(site)
        expects: dict[str, str] = {}
        if spare is not None:
            if meant is not WorkKind.REPLACEMENT:
                common.fail(Exit.BAD_INPUT, "--spare is for a replacement: give --replace")
            with common.journal(place) as journal:
                expects |= _of_box(spare, relays, journal.state())
        expects |= {} if to is None else {"swRev": to}
        expects |= common.pairs(expect or [])
        args = {
            "who": who,
            "relays": relays,
            "kind": meant.value,
            "expects": expects,
            "start": stamp(begins),
            "end": stamp(ends),
            "zone": zone or machine_zone(),
            "reference": reference,
            "settings": None if files is None else plain(files),
            "although": although,
        }
        answer = ask(place, "work_add", args)
    if as_json:
        common.print_json(answer | {"relays": relays})
        return
    with common.told(), common.journal(place) as journal:
        state = journal.state()
    listed = common.site_if_sound(place)
    for name, relay in zip(answer.get("works", ()), relays, strict=False):
        common.out.print(f"{name}: planned on {relay}; see: bayroll work show {name}")
        for way in _for_good(state, listed, name):
            common.out.print(f"  in the way ({way.rule}): {way.says}\n    mend: {way.cure}")


def _for_good(state: State, listed: Site | None, name: str) -> Iterator[InTheWay]:
    """What no preparation removes, told now and not on the day: a version that no step leads to."""
    if name in state.works:
        seen = asked(state.works[name], state, listed, None, datetime.now(UTC))
        yield from (way for way in seen.in_the_way or () if way.rule == PRESENT_VERSION)


def _kind(kind: WorkKind | None, replace: bool) -> WorkKind:
    if not replace:
        return kind or WorkKind.UPDATE
    if kind not in (None, WorkKind.REPLACEMENT):
        common.fail(Exit.BAD_INPUT, f"--replace and --kind {kind}: give one of them")
    return WorkKind.REPLACEMENT


def _settings(
    before: Path | None, after: Path | None, reviewed_by: str | None
) -> SettingsFile | None:
    if before is None:
        if after is not None or reviewed_by is not None:
            common.fail(
                Exit.BAD_INPUT, "--settings FILE is needed with --settings-after or --reviewed-by"
            )
        return None
    return SettingsFile(
        name=before.name,
        sha256_before=_sha256(before),
        sha256_after=None if after is None else _sha256(after),
        reviewed_by=reviewed_by,
    )


def _sha256(file: Path) -> str:
    try:
        with file.open("rb") as opened:
            return hashlib.file_digest(opened, "sha256").hexdigest()
    except OSError as reason:
        common.fail(Exit.BAD_INPUT, f"{file}: it can't be read: {reason.strerror}")


def _of_box(serial: str, relays: list[str], state: State) -> dict[str, str]:
    """What a box on the shelf will tell; of the relay's present maker, if two use the number."""
    found = [one for one in known(state, serial) if one.place.startswith(SHELF)]
    relay = state.relays.get(relays[0])
    plate = None if relay is None else present(relay)
    if len(found) > 1 and plate is not None:
        found = [one for one in found if one.vendor == plate.vendor]
    if len(found) != 1:
        common.fail(
            Exit.BAD_INPUT,
            f"--spare {serial}: no such box is on a shelf\n    mend: see: bayroll spare list; or "
            "put it there with: bayroll spare shelve",
        )
    return _told(found[0])


def _told(box: Asset) -> dict[str, str]:
    told = {"serNum": box.serNum, "orderCode": box.orderCode, "swRev": box.swRev}
    return {name: text for name, text in told.items() if text is not None}


@work.command("start")
def start_(
    work_id: WorkArgument,
    although: AlthoughOption = None,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Begin: the relay is not polled any more, and its connection is free."""
    args = {"who": who, "work": work_id, "although": although}
    says = f"{work_id}: under way; its relay is not polled until: bayroll work end {work_id}"
    _asked("work_start", args, site, as_json, says)


@work.command("end")
def end_(
    work_id: WorkArgument,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """The relay is connected again: poll it, and check what it tells against the plan."""
    says = f"{work_id}: ended; what is read now is compared: bayroll work show {work_id}"
    _asked("work_end", {"who": who, "work": work_id}, site, as_json, says)


@work.command()
def note(
    work_id: WorkArgument,
    text: Annotated[str, typer.Argument(help="What is put on record.")],
    kind: Annotated[
        NoteKind,
        typer.Option("--kind", help="; ".join(f"{name}: {says}" for name, says in NOTE.items())),
    ] = NoteKind.REMARK,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put on record what no reading tells: read back, records saved, partner trips, tested."""
    args = {"who": who, "work": work_id, "note": kind.value, "text": text}
    _asked("work_note", args, site, as_json, f"{work_id}: noted: {NOTE[kind]}")


@work.command()
def cancel(
    work_id: WorkArgument,
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """It will not be done."""
    args = {"who": who, "work": work_id, "why": why}
    _asked("work_cancel", args, site, as_json, f"{work_id}: cancelled")


@work.command()
def close(
    work_id: WorkArgument,
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put it away, verified or not, with the reason."""
    args = {"who": who, "work": work_id, "why": why}
    _asked("work_close", args, site, as_json, f"{work_id}: closed")


def _asked(op: str, args: dict[str, Any], site: Path | None, as_json: bool, says: str) -> None:
    with common.told():
        answer = ask(common.where(site), op, args)
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(says)
