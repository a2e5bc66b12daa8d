"""What people decide or read themselves: baseline accept, record, pause, resume."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, ReferenceOption, SiteOption, WhoOption, WhyOption
from poller.model.canonical import stamp, unstamp

baseline = typer.Typer(no_args_is_help=True, help="The accepted nameplate of each relay.")
Relay = Annotated[str, typer.Argument(metavar="RELAY", help="A relay's id; see: bayroll list.")]


@baseline.command("accept")
def accept(
    relays: Annotated[list[str] | None, typer.Argument(metavar="[RELAY]...")] = None,
    all_new: Annotated[
        bool, typer.Option("--all-new", help="Every relay that was read and never accepted.")
    ] = False,
    who: WhoOption = "",
    why: WhyOption = "",
    reference: ReferenceOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record the present nameplate as the baseline, with who, why and a reference."""
    with common.told():
        place = common.where(site)
        chosen = list(relays or [])
        if all_new:
            state = common.journal(place).state()
            chosen += [
                name
                for name, relay in sorted(state.relays.items())
                if relay.listed and relay.nameplate is not None and relay.baseline is None
            ]
            if not chosen:
                common.fail(Exit.FOUND, "no relay is new and has been read")
        args = {"who": who, "relays": chosen, "why": why, "reference": reference}
        answer = ask(place, "baseline_accept", args)
    if as_json:
        common.print_json(answer | {"relays": chosen})
    else:
        common.out.print(f"baseline accepted for {len(chosen)}: {', '.join(chosen)}")


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
        given = {}
        for value in values:
            name, equals, text = value.partition("=")
            if not equals:
                common.fail(Exit.BAD_INPUT, f"{value}: write it as ATTRIBUTE=TEXT")
            given[name] = text
        at = _moment(read_at)
        args = {
            "who": who,
            "relay": relay,
            "values": given,
            "read_at": stamp(at),
            "reference": reference,
        }
        answer = ask(common.where(site), "reading_enter", args)
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{relay}: {len(given)} value(s) entered, read at {stamp(at)}")


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
        answer = ask(common.where(site), "pause", {"who": who, "relay": relay, "why": why})
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{relay}: paused; its connection is closed")


def resume(
    relay: Relay, who: WhoOption = "", site: SiteOption = None, as_json: JsonOption = False
) -> None:
    """Poll RELAY again."""
    with common.told():
        answer = ask(common.where(site), "resume", {"who": who, "relay": relay})
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{relay}: polled again")
