"""What is said to be asked of relays, against what simulated ones really are asked over hours.

The two share nothing: the figures come of plans and intervals, the counts off the connections of
a part of the shipped substation in virtual time.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from random import Random
from typing import Final

import pytest

from poller.answers.load import HOUR_S, SiteLoad, Traffic, of_pass, site_load
from poller.decide import SiteRead, decide
from poller.edges.fleet import Fleet
from poller.model.standing import State
from poller.reading.frames import read
from poller.reading.read_plan import Pass
from poller.site.register_map import Table
from poller.site.settings import Intervals
from poller.state import fold
from simulator.acts import Flag, Write
from tests.edges.polled import START, Polled, shipped
from tests.trials.virtual_loop import run

HOURS: Final = 10
SETTLED_S: Final = 3_600.0  # by then everything was read and confirmed


async def poll(world: Polled, then: Callable[[], Awaitable[None]]) -> None:
    """All of its site, as the service has it polled, until then is over."""
    events = decide(State(), world.site, SiteRead(), START).events
    state = fold(State(), enumerate(events, start=1))
    fleet = Fleet(
        connect=world.connect, clock=world.clock, random=Random(7), told=lambda unit, found: None
    )
    async with asyncio.TaskGroup() as group:
        await fleet.arrange(world.site, state, group)
        await then()
        await fleet.stop()


@dataclass(frozen=True, slots=True)
class TenHours:
    """requests: by relay; connections: by place."""

    load: SiteLoad
    requests: Counter[str]
    connections: Counter[tuple[str, int]]


@pytest.fixture(scope="module")
def ten_hours() -> TenHours:
    """Of each family of the shipped substation one, and all behind its gateway; nothing changes."""
    feeders = [f"k1-feeder{number}" for number in (1, 2, 3, 4)]
    world = Polled(shipped("q01-main1", "q01-main2", "q01-control", *feeders), random=Random(3))

    async def until() -> None:
        await asyncio.sleep(SETTLED_S + HOURS * HOUR_S)

    run(poll(world, until))
    relays = world.site.file.relays
    requests = Counter({one.id: len(world.asked(one.id, SETTLED_S)) for one in relays})
    connections = Counter(place for at, place in world.connected if at >= SETTLED_S)
    return TenHours(site_load(world.site), requests, connections)


def test_each_relay_is_asked_as_often_as_said(ten_hours: TenHours) -> None:
    for relay in ten_hours.load.relays:
        counted, said = ten_hours.requests[relay.relay], HOURS * relay.hour.requests
        visit = relay.minute.requests / 2  # the first and the last may lie on either side
        if relay.reckoned:  # those of the demo split each stream of objects in two
            assert said - visit <= counted <= said + HOURS * 2 + visit, relay.relay
        else:
            assert counted == pytest.approx(said, abs=visit), relay.relay


def test_each_relay_is_connected_to_as_often_as_said(ten_hours: TenHours) -> None:
    for place in ten_hours.load.places:
        counted, said = ten_hours.connections[place.host, place.port], place.hour.connections
        if len(place.relays) > 1:  # units that are due one after the other share one
            assert 0 < counted <= HOURS * said + 1
        else:
            assert counted == pytest.approx(HOURS * said, abs=2), place


def test_the_figure_in_the_readme() -> None:
    """63 requests an hour with larch, counted over ten hours; 1.05 a minute."""
    load = {one.relay: one for one in site_load(shipped()).relays}["q01-main1"]
    assert (load.map, load.hour.requests) == ("larch", 63)
    assert load.hour.requests / 60 == 1.05


@pytest.mark.parametrize("status_s", [10, 60, 300])
@pytest.mark.parametrize("confirm_s", [10, 60])
def test_no_minute_is_worse_than_the_worst(status_s: float, confirm_s: float) -> None:
    """An update that raises a flag, seen by the nameplate first, between two readings of status."""
    intervals = Intervals(status_s=status_s, confirm_s=confirm_s, nameplate_s=3_630)
    site = shipped("q01-main1", intervals=intervals)
    world = Polled(site)
    # the first status after it was met reads the nameplate once more, and that is due after 3,630 s
    before_s = (confirm_s // status_s + 1) * status_s + 3_625

    async def change() -> None:
        await asyncio.sleep(before_s)
        world.do("q01-main1", Write(values={"swRev": "5.2"}))
        world.do("q01-main1", Flag(flag="firmware_changed", standing=True))
        await asyncio.sleep(1_800)

    run(poll(world, change))
    times = world.asked("q01-main1", before_s)
    worst = max(sum(first <= at < first + 60 for at in times) for first in times)
    said = site_load(site).relays[0].minute.requests
    calm = max(1, 60 / status_s)
    assert calm < worst <= said
    if (status_s, confirm_s) == (60, 60):  # as it is without a setting: the bound is what happens
        assert worst == said == 6


# Of one request.

# MODBUS Application Protocol Specification V1.1b3, the examples in 6.1 to 6.4: table, count, octets
# of the answer's PDU. Before each stand 7 octets of MBAP (implementation guide V1.0b, 3.1.3).
EXAMPLES: Final[tuple[tuple[Table, int, int], ...]] = (
    ("coil", 19, 5),
    ("discrete", 22, 5),
    ("holding", 3, 8),
    ("input", 1, 4),
)


@pytest.mark.parametrize(("table", "number", "answer"), EXAMPLES)
def test_octets_of_a_request_are_those_of_the_standard(
    table: Table, number: int, answer: int
) -> None:
    found = of_pass(Pass(requests=(read(table, 0, number),), spans=(), identification=None))
    assert found == Traffic(requests=1, sent=7 + 5, received=7 + answer)


def test_objects_asked_for_one_by_one_are_a_request_each() -> None:
    """6.21: a request of 4 octets, an answer of 253 at most."""
    found = of_pass(
        Pass(requests=(), spans=(), identification=("individual", frozenset({0, 1, 2})))
    )
    assert found == Traffic(requests=3, sent=3 * 11, received=3 * 260)


# Of connections.


def test_a_relay_without_a_status_has_its_nameplate_read_instead() -> None:
    """q01-control tells its identification, in one answer or more."""
    site = shipped("q01-control", maps=("any",))
    world = Polled(site)

    async def until() -> None:
        await asyncio.sleep(2 * HOUR_S)

    run(poll(world, until))
    said, counted = site_load(site).relays[0].hour.requests, len(world.asked("q01-control", HOUR_S))
    assert said - 2 <= counted <= 2 * said


def test_of_several_maps_the_one_that_asks_most_counts() -> None:
    site = shipped("q01-main2")
    alone = {
        name: site_load(shipped("q01-main2", maps=(name,))).relays[0] for name in ("pike", "pike-3")
    }
    most = max(alone.values(), key=lambda load: load.hour.requests)
    assert site_load(site).relays[0] == most


def test_more_than_there_is_time_for_is_said() -> None:
    def place(rest_ms: int) -> bool:
        hurried = Intervals(status_s=1, rest_ms=rest_ms)
        return site_load(shipped("q01-main1", intervals=hurried)).places[0].fits

    assert (place(100), place(1_000)) == (True, False)
