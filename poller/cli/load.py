"""bayroll load: what a site asks of its relays and gateways, and a trial of it at one relay."""

from __future__ import annotations

import asyncio
import random
import re
import signal
from dataclasses import asdict
from typing import Annotated, Any, Final

import typer

from poller.answers.load import PlaceLoad, RelayLoad, SiteLoad, Traffic, relay_load, site_load
from poller.answers.trial_at_relay import Measured, Verdict, judge
from poller.answers.words import count, place, span
from poller.cli import asking, common
from poller.cli.common import Exit, JsonOption
from poller.cli.run import SiteArgument, loop_factory
from poller.edges.clock import SystemClock
from poller.edges.trial_at_relay import measure as measured_at
from poller.model import limits
from poller.model.near import instead, near
from poller.reading.read_plan import compile_map
from poller.site.settings import Site, pace

FOR: Final = re.compile(r"(?:([0-9]{1,2}) ?h)? ?(?:([0-9]{1,4}) ?m(?:in)?)? ?(?:([0-9]{1,5}) ?s)?")
MS: Final = 1_000


def load(
    site_file: SiteArgument,
    at: Annotated[
        str | None,
        typer.Option("--measure", metavar="RELAY", help="Poll this one, and count what goes by."),
    ] = None,
    for_: Annotated[
        str, typer.Option("--for", metavar="DURATION", help="How long: 10m, 2h or 90s.")
    ] = "10m",
    as_json: JsonOption = False,
) -> None:
    """Say what SITE asks of each relay and gateway; with --measure, try it at one relay.

    Nothing is asked without --measure. With it, that relay is polled as the service would, and
    nothing is recorded or told; Ctrl-C ends it early, with what was measured so far.
    """
    with common.told():
        site = common.load(site_file)
        if at is None:
            _tell(site, site_load(site), as_json)
        else:
            _try(site, at, _seconds(for_), as_json)


# What is asked for.


def _tell(site: Site, found: SiteLoad, as_json: bool) -> None:
    full = [one for one in found.places if not one.fits]
    if as_json:
        told: list[RelayLoad | PlaceLoad] = [*found.relays, *found.places]
        for one in told:
            common.print_json(_plain(one))
    else:
        _print(site, found)
    for place_ in full:
        common.err.print(
            f"{place_.host}:{place_.port}: more is asked for than there is time: the rests alone "
            f"take {place_.rest_share:.0%} of it\n"
            "    mend: raise status_s or nameplate_s, or lower rest_ms"
        )
    raise typer.Exit(Exit.FOUND if full else Exit.DONE)


def _print(site: Site, found: SiteLoad) -> None:
    common.say("An hour in which nothing changes:")
    table = common.table(("relay", "map", *HEADS))
    for relay in found.relays:
        mark = " *" if relay.reckoned else ""
        table.add_row(relay.relay, relay.map + mark, *_cells(relay))
    common.out.print(table)
    gateways = [one for one in found.places if len(one.relays) > 1]
    if gateways:
        table = common.table(("gateway", "relays", *HEADS))
        for one in gateways:
            table.add_row(f"{one.host}:{one.port}", str(len(one.relays)), *_cells(one))
        common.out.print()
        common.out.print(table)
    hour = found.hour
    common.out.print()
    common.say(
        f"Together {count(len(found.relays), 'relay', 'relays')} at "
        f"{count(len(found.places), 'address', 'addresses')}: {hour.requests:,.0f} requests an "
        f"hour, {hour.sent + hour.received:,.0f} octets of Modbus/TCP, to which TCP and IP add "
        f"{hour.beneath:,.0f} at least."
    )
    common.say(
        "The worst minute is one in which a change is confirmed: each visit then reads the "
        "nameplate too; of a gateway, for all of its relays at once. Not in these figures: what "
        "follows a restart or a silence, what people ask for, and the fields of a block that a "
        "relay refuses, each asked for once by itself."
    )
    if any(one.reckoned for one in found.relays):
        common.say(
            "* identified by function code 43/14: reckoned with answers of full length; into how "
            "many it is split, the relay decides."
        )


HEADS: Final = ("requests", "octets out", "octets in", "connections", "worst minute")


def _cells(one: RelayLoad | PlaceLoad) -> tuple[str, ...]:
    hour = one.hour
    return (
        f"{hour.requests:,.0f}",
        f"{hour.sent:,.0f}",
        f"{hour.received:,.0f}",
        "held" if one.held else f"{hour.connections:,.0f}",
        f"{one.minute.requests:,.0f}",
    )


def _plain(one: RelayLoad | PlaceLoad) -> dict[str, Any]:
    told = asdict(one)
    for name in ("hour", "minute"):
        traffic: Traffic = getattr(one, name)
        told[name] = {key: round(value, 2) for key, value in asdict(traffic).items()}
        told[name]["tcp_ip"] = round(traffic.beneath, 2)
    return told


# What is measured.


def _try(site: Site, relay: str, for_s: int, as_json: bool) -> None:
    entry = site.file.by_id.get(relay)
    if entry is None:
        named = {one.id: f"{one.bay} {one.function}" for one in site.file.relays}
        there = instead(near(relay, named), "bayroll load SITE lists them")
        common.fail(Exit.BAD_INPUT, f"{relay}: no such relay in this site file; {there}")
    if asking.service_for(entry.host, entry.port) is not None:
        common.fail(
            Exit.BAD_INPUT,
            f"{entry.host}:{entry.port} is polled by a service that runs here\n"
            "    mend: stop it for the trial, or try a relay that it does not list",
        )
    pace_ = pace(site.file.intervals, entry)
    if for_s <= pace_.reply_timeout_s:
        common.fail(
            Exit.BAD_INPUT,
            f"--for {for_s}s: make it longer than the {pace_.reply_timeout_s:g} s that an answer "
            "may take",
        )
    where = f"{relay} at {entry.host}:{entry.port}/{entry.unit}"
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        found = runner.run(_measure(site, relay, for_s, where))
    verdict = judge(found, pace_)
    if as_json:
        common.print_json(_plainly(relay, found, verdict))
    else:
        common.out.print(f"{place(entry.bay, entry.function)} ({where}), for {_took(found)}")
        _print_measured(found, _asked_for(site, relay))
        common.out.print()
        common.say(verdict.says)
        for sentence in verdict.against:
            common.say(f"- {sentence}")
    if not found.times_s:
        raise typer.Exit(Exit.UNREACHABLE)
    raise typer.Exit(Exit.DONE if verdict.keeps_up else Exit.FOUND)


async def _measure(site: Site, relay: str, for_s: int, where: str) -> Measured:
    loop, enough = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, enough.set)
    common.err.print(
        f"{where} is polled for {span(for_s)}, as the service would; Ctrl-C ends it early"
    )
    return await measured_at(
        site,
        relay,
        connect=loop.create_connection,
        clock=SystemClock(),
        random=random.Random(),  # noqa: S311 - spreads polls, hides nothing
        for_s=for_s,
        enough=enough,
    )


def _asked_for(site: Site, relay: str) -> RelayLoad:
    entry = site.relay(relay)
    maps = [compile_map(site.maps[name]) for name in entry.maps]
    return relay_load(entry, pace(site.file.intervals, entry), maps)


def _print_measured(found: Measured, asked: RelayLoad) -> None:
    table = common.table(("", "measured", "an hour, as the site file asks"))
    hour, traffic = asked.hour, found.traffic
    for name, ours, theirs in (
        ("requests", traffic.requests, hour.requests),
        ("octets out", traffic.sent, hour.sent),
        ("octets in", traffic.received, hour.received),
        ("connections", traffic.connections, hour.connections),
    ):
        held = asked.held and name == "connections"
        table.add_row(name, f"{ours:,.0f}", "held" if held else f"{theirs:,.0f}")
    table.add_row("visits", f"{found.visits}", "")
    if found.median_s is not None and found.p99_s is not None:
        table.add_row("response time, median", f"{found.median_s * MS:,.1f} ms", "")
        table.add_row("99th percentile", f"{found.p99_s * MS:,.1f} ms", "")
        table.add_row("longest", f"{max(found.times_s) * MS:,.1f} ms", "")
    table.add_row("without an answer", f"{found.unanswered}", "")
    table.add_row("exceptions", f"{sum(found.exceptions.values())}", "")
    common.out.print(table)


def _took(found: Measured) -> str:
    return span(round(found.took_s))


def _plainly(relay: str, found: Measured, verdict: Verdict) -> dict[str, Any]:
    told = asdict(found) | {"relay": relay, "keeps_up": verdict.keeps_up, "says": verdict.says}
    del told["times_s"]
    told["answers"] = len(found.times_s)
    told["median_s"], told["p99_s"] = found.median_s, found.p99_s
    told["longest_s"] = max(found.times_s, default=None)
    told["exceptions"] = [
        {"function": function, "code": code, "count": number}
        for (function, code), number in sorted(found.exceptions.items())
    ]
    return told | {"against": list(verdict.against)}


def _seconds(text: str) -> int:
    found = FOR.fullmatch(text.strip())
    if found is None or not any(found.groups()):
        common.fail(Exit.BAD_INPUT, f"--for {text}: write it as 10m, 2h or 90s")
    hours, minutes, seconds = (int(part or 0) for part in found.groups())
    for_s = hours * 3_600 + minutes * 60 + seconds
    if not 1 <= for_s <= limits.TRIAL_S_MAX:
        common.fail(Exit.BAD_INPUT, f"--for {text}: from a second to {span(limits.TRIAL_S_MAX)}")
    return for_s
