"""bayroll alarms: acknowledge, shelve, and take out of service what the list tells."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Final

import typer
from typer.core import TyperGroup

from poller.answers.words import moment
from poller.cli import alarms_look, alarms_measures, common
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, SiteOption, WhoOption, WhyOption
from poller.decide import Refusal
from poller.edges.commands import HERE
from poller.site.shipped_alarms import catalogue_of


class ListByItself(TyperGroup):
    """`bayroll alarms q01-main1 --all` is `bayroll alarms list q01-main1 --all`."""

    by_itself = "list"

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        told = args[:1]
        if not told or (told[0] not in self.commands and told != ["--help"]):
            args = [self.by_itself, *args]
        return super().parse_args(ctx, args)


alarms = typer.Typer(
    cls=ListByItself,
    help="Alarms, in the states of ISA-18.2 and IEC 62682.\n\n"
    "Without a command: the list; `bayroll alarms q01-main1 --all` is `bayroll alarms list "
    "q01-main1 --all`.",
)
alarms.command("list")(alarms_look.list_)
alarms.command()(alarms_look.show)
alarms.command()(alarms_measures.measures)

AlarmsArgument = Annotated[
    list[str], typer.Argument(metavar="ID...", help="Of the alarms; see: bayroll alarms --all.")
]
# as answers say how long something is; nobody shelves for seconds or days
FOR: Final = re.compile(r"(?:([0-9]{1,4}) ?h)? ?(?:([0-9]{1,4}) ?(?:min|m))?")


@alarms.command()
def ack(
    names: AlarmsArgument,
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Acknowledge: you have seen it, and whatever its response asks is under way."""
    with common.told():
        place = common.where(site)
        args = {"who": who, "why": why}
        refused = _each(place, "alarm_ack", names, args, as_json, "acknowledged")
        known = common.site_if_sound(place) if refused else None
    over = HERE if known is None else catalogue_of(known).acknowledged_over
    if over != HERE:
        common.err.print(
            f"    mend: acknowledge where this site's alarms are shown over {over}; or, if it is "
            f"to be done here, write acknowledged_over: {HERE} in its catalogue of alarms"
        )
    _end(refused)


@alarms.command()
def shelve(
    names: AlarmsArgument,
    for_: Annotated[
        str, typer.Option("--for", metavar="DURATION", help="How long: 4h, 30min or 1h30min.")
    ],
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep it from the list for a while; after that it comes back by itself."""
    for_s = _seconds(for_)
    until = moment(datetime.now(UTC) + timedelta(seconds=for_s))
    args = {"who": who, "why": why, "for_s": for_s}
    _asked("alarm_shelve", names, args, site, as_json, f"shelved until {until}")


def _seconds(text: str) -> int:
    found = FOR.fullmatch(text.strip())
    if found is None or not any(found.groups()):
        common.fail(Exit.BAD_INPUT, f"--for {text}: write it as 4h, 30min or 1h30min")
    hours, minutes = (int(part or 0) for part in found.groups())
    return hours * 3_600 + minutes * 60


@alarms.command()
def unshelve(
    names: AlarmsArgument,
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Let it come back to the list before its time is over."""
    args = {"who": who, "why": why}
    _asked("alarm_unshelve", names, args, site, as_json, "unshelved")


@alarms.command("out-of-service")
def out_of_service(
    names: AlarmsArgument,
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep it from the list until somebody returns it to service."""
    args = {"who": who, "why": why}
    says = "out of service until: bayroll alarms return {}"
    _asked("alarm_out_of_service", names, args, site, as_json, says)


@alarms.command("return")
def return_(
    names: AlarmsArgument,
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Return it to service: it is told again where its condition stands."""
    args = {"who": who, "why": why}
    _asked("alarm_return", names, args, site, as_json, "returned to service")


@alarms.command()
def reset(
    names: AlarmsArgument,
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Let go of a latched alarm, whose condition is over."""
    args = {"who": who, "why": why}
    _asked("alarm_reset", names, args, site, as_json, "reset")


def _asked(
    op: str, names: list[str], args: dict[str, Any], site: Path | None, as_json: bool, says: str
) -> None:
    with common.told():
        refused = _each(common.where(site), op, names, args, as_json, says)
    _end(refused)


def _each(
    place: common.Where,
    op: str,
    names: list[str],
    args: dict[str, Any],
    as_json: bool,
    says: str,
) -> bool:
    """Asks for each alarm and answers on a line of its own; whether one was refused.

    says: after its id, where it was done. Raises Refusal for what is not about one alarm.
    """
    refused = False
    for name in dict.fromkeys(names):
        try:
            answer = ask(place, op, args | {"alarm": name})
        except Refusal as reason:
            if not str(reason).startswith(f"{name}: "):
                raise
            refused = True
            if as_json:
                common.print_json({"alarm": name, "refused": str(reason)})
            else:
                common.err.print(str(reason))
        else:
            if as_json:
                common.print_json(answer | {"alarm": name})
            else:
                common.out.print(f"{name}: {says.format(name)}")
    return refused


def _end(refused: bool) -> None:
    raise typer.Exit(Exit.BAD_INPUT if refused else Exit.DONE)
