"""bayroll plan: which step of what is due goes into which outage."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final

import typer

from poller.answers.plan import (
    CAUTIONS,
    HoldRow,
    StepRow,
    UnplacedRow,
    counted,
    hold_rows,
    plan_csv,
    step_rows,
    sums,
    unplaced_rows,
)
from poller.answers.plan_ics import plan_ics
from poller.answers.plan_picture import plan_svg
from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, ReferenceOption, SiteOption, Where, WhoOption
from poller.cli.new_file import put
from poller.decide import Refusal
from poller.edges.commands import WHO_NEEDED
from poller.edges.outages_file import read_outages
from poller.model.canonical import plain, stamp
from poller.planning.due import due
from poller.planning.known import Known
from poller.planning.outages import asking
from poller.planning.outages.entries import entries
from poller.planning.outages.plan import OutagePlan
from poller.planning.outages.plan import plan as make
from poller.planning.outages.shape import OutageFile
from poller.planning.outages.solver import Tell, installed

TOLD_EVERY_S: Final = 2.0
NO_SOLVER: Final = (
    "OR-Tools is not installed, so the plan is made without a solver\n"
    "    mend: for better plans, and the bound: pip install 'bayroll[plan]'"
)


def plan(
    outages: Annotated[
        Path | None,
        typer.Option(
            "--outages",
            metavar="FILE",
            help="The outages file; default: outages.yaml beside the site file.",
        ),
    ] = None,
    relay: Annotated[
        list[str] | None, typer.Option("--relay", help="Only of this one; may be repeated.")
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="For a spreadsheet.")] = False,
    as_ics: Annotated[bool, typer.Option("--ics", help="For calendars (RFC 5545).")] = False,
    as_svg: Annotated[bool, typer.Option("--svg", help="As a picture.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="A new file; without it, print.")
    ] = None,
    no_solver: Annotated[
        bool, typer.Option("--no-solver", help="Sooner, and with no bound told.")
    ] = False,
    add_work: Annotated[
        bool, typer.Option("--add-work", help="Enter it as planned work, each relay its piece.")
    ] = False,
    reference: ReferenceOption = None,
    although: Annotated[
        str | None,
        typer.Option("--although", help="With --add-work: why it is done against a rule."),
    ] = None,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put every step that is due into an outage: what presses most is done soonest.

    Pilots go first. Ends with 1 where a step has no place; what stands in its way is told.
    """
    with common.told():
        if sum((as_csv, as_ics, as_svg, as_json)) > 1:
            raise Refusal("--csv, --ics, --svg and --json: give one of them")
        if add_work and not who.strip():  # not after the solver has had its minute
            raise Refusal(WHO_NEEDED)
        place = common.where(site)
        told = common.known(place)
        common.relays_known(told.state, relay or ())
        assert place.site_file is not None, "the site was read from it"
        file = read_outages(place.site_file, told.site, outages)
        made = _make(told, place, file, relay, no_solver)
        steps = step_rows(made, file, told.state)
        holds = hold_rows(made, file, told.state)
        missing = unplaced_rows(made, told.state)
        if as_csv:
            put(plan_csv(steps, missing), out)
        elif as_ics:
            put(plan_ics(made, steps, holds, told.site.file), out)
        elif as_svg:
            put(plan_svg(made, file).encode(), out)
        elif as_json:
            _print_json(made, steps, holds, missing)
        else:
            _print(made, steps, holds, missing)
        refused = _add(place, made, file, reference, although, who) if add_work else 0
    open_ = [row for row in missing if row.rule != "planned"]
    raise typer.Exit(Exit.FOUND if open_ or refused else Exit.DONE)


def _make(
    told: Known, place: Where, file: OutageFile, relays: list[str] | None, no_solver: bool
) -> OutagePlan:
    now = datetime.now(UTC)
    found = due(told.state, told.site, told.held, told.concerned, common.live(place), now)
    wanted = tuple(one for one in found if not relays or one.relay in relays)
    asked = asking.ask(wanted, told.state, told.site, file, now)
    if not no_solver and not installed():
        common.err.print(NO_SOLVER)
    return make(asked, _progress(), solver=not no_solver)


def _progress() -> Tell:
    started = told_at = time.monotonic()

    def tell(cost: float, bound: float) -> None:
        nonlocal told_at
        now = time.monotonic()
        if now - told_at >= TOLD_EVERY_S and bound > 0:
            told_at, gap = now, 100 * (cost - bound) / max(1, cost)
            common.err.print(
                f"{now - started:3.0f} s: {cost:,.0f} weighted days, none below {bound:,.0f} "
                f"({gap:.1f} %); Ctrl-C takes what there is"
            )

    return tell


def _print(
    made: OutagePlan,
    steps: tuple[StepRow, ...],
    holds: tuple[HoldRow, ...],
    missing: tuple[UnplacedRow, ...],
) -> None:
    out = common.out
    window = None
    for row in steps:
        if row.window != window:
            window = row.window
            reference = "" if row.reference is None else f", {row.reference}"
            out.print(f"{window}  {row.start[:10]}{reference}")
        times = f"{row.start[11:]} to {row.end[11:]}"
        pilot = "; pilot" if row.pilot else ""
        team = f"; team {row.team}" if row.team > 1 else ""
        firmware = "" if row.firmware == "firmware" else f"{row.firmware} "
        out.print(
            f"    {times}  {row.position}: {firmware}{row.version_from} to {row.version_to}"
            f"{pilot}{team}"
        )
    for hold in holds:
        out.print(f"hold: the rest of {hold.family} until {hold.until}, after {hold.position}")
    stop = holds[0].stop if holds else ()
    for words in ("the rest is not updated if of a pilot:", *stop) if stop else ():
        out.print(f"    {words}")
    for one in missing:
        step = "" if one.version_to is None else f" to {one.version_to}"
        out.print(f"not placed: {one.position} ({one.relay}){step} ({one.rule})")
        out.print(f"    {one.says}")
    told = sums(made)
    out.print(f"{counted(told)}; {told.says}")
    for words in CAUTIONS:
        out.print(words)


def _print_json(
    made: OutagePlan,
    steps: tuple[StepRow, ...],
    holds: tuple[HoldRow, ...],
    missing: tuple[UnplacedRow, ...],
) -> None:
    for kind, rows in (("step", steps), ("hold", holds), ("not_placed", missing)):
        for row in rows:
            common.print_json({"kind": kind, **plain(row)})
    common.print_json({"kind": "plan", **plain(sums(made)), "cautions": list(CAUTIONS)})


def _add(
    place: Where,
    made: OutagePlan,
    file: OutageFile,
    reference: str | None,
    although: str | None,
    who: str,
) -> int:
    """As `work add` would; how many were refused. What is refused leaves the others."""
    references = {window.id: window.reference for window in file.windows}
    refused = 0
    for one in entries(made):
        window = made.question.slots[one.window].id
        args = {
            "who": who,
            "relays": list(one.relays),
            "kind": one.kind,
            "expects": one.expects,
            "start": stamp(one.start),
            "end": stamp(one.end),
            "zone": file.zone,
            "reference": reference or references[window] or f"outage {window}",
            "settings": None,
            "although": although,
        }
        try:
            answer = ask(place, "work_add", args)
        except Refusal as reason:
            refused += 1
            common.err.print(f"{', '.join(one.relays)} in {window}: not entered: {reason}")
        else:
            for name, relay in zip(answer.get("works", ()), one.relays, strict=False):
                common.err.print(f"{name}: planned on {relay} in {window}")
    return refused
