"""A trial at one simulated relay in virtual time: what is counted, and what is said of it."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from random import Random

import pytest

from poller.answers.load import HOUR_S, relay_load
from poller.answers.trial_at_relay import Measured, judge
from poller.edges.trial_at_relay import measure
from poller.reading.read_plan import compile_map
from poller.site.settings import pace
from simulator.acts import Act, Away, Misbehave
from simulator.misbehaviour import Plan
from tests.edges.polled import Polled, shipped
from tests.trials.virtual_loop import run

RELAY = "q01-main1"


def tried(world: Polled, *acts: Act, relay: str = RELAY, for_s: float = 600.0) -> Measured:
    async def main() -> Measured:
        for act in acts:
            world.do(relay, act)
        return await measure(
            world.site,
            relay,
            connect=world.connect,
            clock=world.clock,
            random=Random(7),
            for_s=for_s,
        )

    return run(main())


def misbehaving(kind: str, chance: float = 1.0, **parameters: float) -> Misbehave:
    return Misbehave(plan=Plan(kind=kind, chance=chance, parameters=parameters))


@pytest.mark.parametrize("relay", [RELAY, "q01-main2", "q01-control", "k1-feeder2"])
def test_requests_and_connections_are_those_that_reached_the_relay(relay: str) -> None:
    """Four families: held and closed after each visit, identified by 43/14, behind a gateway."""
    world = Polled(shipped(), random=Random(3))
    found = tried(world, relay=relay, for_s=HOUR_S - 1)  # it ends between two visits
    assert found.traffic.requests == len(world.asked(relay, 0)) == len(found.times_s)
    assert found.traffic.connections == len(world.connected)
    assert {place for _, place in world.connected} == {
        (world.site.relay(relay).host, world.site.relay(relay).port)
    }


@pytest.mark.parametrize("relay", [RELAY, "q01-main2"])
def test_octets_are_those_that_the_load_says(relay: str) -> None:
    """Whatever was asked: on average a request and its answer are as long as in an hour of load.

    A trial begins with the nameplate, read and confirmed, so only long ones can be compared.
    """
    world = Polled(shipped())
    found = tried(world, relay=relay, for_s=40 * HOUR_S)
    entry = world.site.relay(relay)
    maps = [compile_map(world.site.maps[entry.maps[0]])]
    said = relay_load(entry, pace(world.site.file.intervals, entry), maps).hour.times(40)
    assert found.traffic.sent == pytest.approx(said.sent, rel=0.01)
    assert found.traffic.received == pytest.approx(said.received, rel=0.01)


def test_response_times_are_those_of_the_relay() -> None:
    """A millisecond each way, and the half second that it takes; rests are no part of it."""
    found = tried(Polled(shipped(RELAY)), misbehaving("delay", seconds=0.5))
    assert found.median_s == pytest.approx(0.502, abs=0.001)
    assert found.p99_s == pytest.approx(0.502, abs=0.001)


def test_a_good_relay_keeps_up() -> None:
    world = Polled(shipped(RELAY))
    found = tried(world)
    verdict = judge(found, pace(world.site.file.intervals, world.site.relay(RELAY)))
    assert (verdict.keeps_up, verdict.says[:12]) == (True, "It keeps up:")
    assert (found.visits, found.missed, found.unanswered) == (10, 0, 0)


@pytest.mark.parametrize(("times", "few"), [(99, True), (100, False)])
def test_few_answers_are_said_to_tell_little(times: int, few: bool) -> None:
    world = Polled(shipped(RELAY))
    found = replace(tried(world), times_s=(0.01,) * times)
    verdict = judge(found, pace(world.site.file.intervals, world.site.relay(RELAY)))
    assert (verdict.keeps_up, "let it go on for longer" in verdict.says) == (True, few)


# fault, and of what is said against the relay the part that tells it
AGAINST = (
    (misbehaving("no_reply", chance=0.2), "had no answer within 3 s"),
    (misbehaving("delay", seconds=2.0), "near the 3 s"),
    (misbehaving("busy"), "server device busy, to function code 3: rest longer"),
    (misbehaving("exception", code=4), "server device failure, to function code 3"),
    (misbehaving("hang_up", chance=0.3), "it ended"),
    (misbehaving("garbage"), "made no sense"),
    (misbehaving("short"), "made no sense"),
    (misbehaving("wrong_transaction"), "had no answer within 3 s"),
    (misbehaving("slots", slots=0), "it ended"),
    (misbehaving("refuse"), "not to be had"),
    (Away(how="no_reply"), "nothing came back"),
)


@pytest.mark.parametrize(("act", "says"), AGAINST, ids=[says for _, says in AGAINST])
def test_what_speaks_against_it_is_said(act: Act, says: str) -> None:
    world = Polled(shipped(RELAY))
    verdict = judge(tried(world, act), pace(world.site.file.intervals, world.site.relay(RELAY)))
    assert not verdict.keeps_up
    assert says in " ".join(verdict.against)


def test_a_map_that_does_not_fit_is_said() -> None:
    world = Polled(shipped(RELAY, maps=("pike",)))
    found = tried(world)
    verdict = judge(found, pace(world.site.file.intervals, world.site.relay(RELAY)))
    assert found.times_s
    assert "bayroll try-map" in " ".join(verdict.against)


def test_it_ends_early_when_told_so() -> None:
    async def main() -> Measured:
        enough = asyncio.Event()
        asyncio.get_running_loop().call_later(90, enough.set)
        world = Polled(shipped(RELAY))
        return await measure(
            world.site,
            RELAY,
            connect=world.connect,
            clock=world.clock,
            random=Random(7),
            for_s=HOUR_S,
            enough=enough,
        )

    assert run(main()).took_s == 90


def test_one_that_ended_at_once_says_nothing_of_the_relay() -> None:
    world = Polled(shipped(RELAY))
    verdict = judge(tried(world, for_s=0), pace(world.site.file.intervals, world.site.relay(RELAY)))
    assert (verdict.keeps_up, verdict.says) == (False, "Nothing is known yet.")


def test_only_reads_reach_the_relay() -> None:
    """As on every connection; here of what the trial itself sends. MODBUS V1.1b3, 6."""
    seen: set[int] = set()
    for relay in (RELAY, "q01-main2", "q01-control"):
        world = Polled(shipped(relay))
        tried(world, relay=relay)
        seen |= {one.function for one in world.net.asked}
    assert seen == {2, 3, 4, 43}


def test_no_other_relay_is_asked() -> None:
    world = Polled(shipped())
    tried(world, relay="k1-feeder2")
    assert {(one.place, one.unit) for one in world.net.asked} == {(("127.1.30.1", 15020), 2)}
