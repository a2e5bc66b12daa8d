"""What people read or decide themselves: record, pause, resume."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Annotated

import typer

from poller.answers.words import count
from poller.cli import common
from poller.cli.ask import ask, ask_whoever
from poller.cli.common import Exit, JsonOption, ReferenceOption, SiteOption, WhoOption, WhyOption
from poller.model.attribute_words import attribute
from poller.model.canonical import stamp, unstamp
from poller.model.nameplate import Nameplate, flat
from poller.model.text import shown

Relay = Annotated[str, typer.Argument(metavar="RELAY", help="A relay's id; see: bayroll list.")]


def record(
    relay: Relay,
    values: Annotated[
        list[str], typer.Argument(metavar="ATTRIBUTE=TEXT...", help="For example swRev=V2.10.00")
    ],
    who: WhoOption = "",
    read_at: Annotated[
        str | None, typer.Option("--at", help="When it was read, with offset; default: now.")
    ] = None,
    reference: ReferenceOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter a reading taken at the relay's front panel; its quality is manual, its age is shown."""
    with common.told():
        given = common.pairs(values)
        at = _moment(read_at)
        args = {
            "who": who,
            "relay": relay,
            "values": given,
            "read_at": stamp(at),
            "reference": reference,
        }
        place = common.where(site)
        answer = ask(place, "reading_enter", args)
        with common.journal(place) as journal:
            read = journal.state().relays[relay].nameplate
    if as_json:
        common.print_json(answer)
        return
    common.out.print(
        f"{relay}: {count(len(given), 'value', 'values')} entered, read at {stamp(at)}"
    )
    for says in _otherwise(given, read):
        common.out.print(says)


def _otherwise(given: Mapping[str, str], read: Nameplate | None) -> Iterator[str]:
    """Where panel and network disagree, the map may be wrong, or the person at another relay."""
    told = {} if read is None else flat(read)
    for name, text in given.items():
        if name in told and told[name] != text:
            yield (
                f"  {attribute(name)}: over the network it is {shown(told[name])}, which stands\n"
                "    mend: look at the panel and its position once more; else try its map: bayroll "
                "try-map"
            )


def _moment(text: str | None) -> datetime:
    if text is None:
        return datetime.now(UTC)
    try:
        return unstamp(text)
    except ValueError as reason:
        common.fail(
            Exit.BAD_INPUT, f"--at: {reason}\n    mend: write it as 2026-03-01T14:05:00+01:00"
        )


def pause(
    relay: Relay,
    who: WhoOption = "",
    why: WhyOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Stop polling RELAY and free its client slot at once, until `bayroll resume`."""
    with common.told():
        args = {"who": who, "relay": relay, "why": why}
        answer, by_service = ask_whoever(common.where(site), "pause", args)
    if as_json:
        common.print_json(answer)
    elif by_service:
        common.out.print(f"{relay}: paused; its connection is closed")
    else:
        common.out.print(f"{relay}: noted; no service runs: it will not be polled when one starts")


def resume(
    relay: Relay, who: WhoOption = "", site: SiteOption = None, as_json: JsonOption = False
) -> None:
    """Poll RELAY again."""
    with common.told():
        answer, by_service = ask_whoever(common.where(site), "resume", {"who": who, "relay": relay})
    if as_json:
        common.print_json(answer)
    elif by_service:
        common.out.print(f"{relay}: polled again")
    else:
        common.out.print(f"{relay}: noted; no service runs: it will be polled when one starts")
