"""Relays that do not answer: told one by one, as one gateway, or as one network."""

from __future__ import annotations

import pytest

from poller.model import events as ev
from poller.model.work import WorkState
from poller.site.shipped_alarms import TEXT
from tests.alarms.world import BEHIND, DIRECT, FILE, World, added, answers, moved, silent, site

GATEWAY = "gateway-127-1-2-1-502.gateway_silent"
NETWORK = "network.many_silent"


def world_of(*gone: tuple[str, float]) -> World:
    """Each relay's last answer was so many seconds from the start; told 180 s after it."""
    world = World()
    for name, last in sorted(gone, key=lambda one: one[1]):
        world.look(last + 180)
        world.happens(last + 180, (name, silent(last)))
    return world


# last answers in seconds, and what is told: each relay by itself, or the network for all
TOGETHER = """
0 0 0 0 0                     each
0 0 0 0 0 0                   network
0 12 24 36 48 60              network
0 12 24 36 48 61              each
0 10 20 30 40 50 60           network
"""


@pytest.mark.parametrize("line", TOGETHER.strip().splitlines())
def test_more_than_five_within_a_minute_are_one_alarm_of_the_network(line: str) -> None:
    *times, expected = line.split()
    gone = list(zip(DIRECT, map(float, times), strict=False))
    world = world_of(*gone)
    world.run(245, 1_000)
    alone = sorted(f"{name}.silent" for name, _ in gone)
    assert sorted(world.annunciated) == ([NETWORK] if expected == "network" else alone)


def test_a_relay_that_was_silent_long_before_keeps_its_own_alarm() -> None:
    world = world_of((DIRECT[8], -3_000), *((name, 0.0) for name in DIRECT[:6]))
    world.run(185, 1_000)
    assert sorted(world.letters) == [NETWORK, f"{DIRECT[8]}.silent"]


def test_those_that_stay_when_the_network_is_back_are_told_one_by_one() -> None:
    world = world_of(*((name, 0.0) for name in DIRECT[:6]))
    world.run(185, 600)
    world.happens(605, *((name, answers()) for name in DIRECT[:4]))
    world.run(605, 1_000)
    assert world.annunciated == [NETWORK, f"{DIRECT[4]}.silent", f"{DIRECT[5]}.silent"]
    assert world.letters[NETWORK] == "D"


def test_one_that_was_told_before_and_nobody_acknowledged_is_told_again_when_it_stays() -> None:
    world = world_of((DIRECT[0], -2_000))
    world.run(-1_815, -1_000)
    world.happens(-1_000, (DIRECT[0], answers()))
    world.run(-995, 0)
    for name in DIRECT[:6]:
        world.happens(180, (name, silent(0)))
    world.run(185, 600)
    world.happens(605, *((name, answers()) for name in DIRECT[1:6]))
    world.run(605, 1_000)
    assert world.annunciated == [f"{DIRECT[0]}.silent", NETWORK, f"{DIRECT[0]}.silent"]


def test_the_off_delay_of_one_that_is_let_go_begins_when_it_answers() -> None:
    world = world_of((DIRECT[0], 0))
    world.run(185, 595)
    world.happens(600, *((name, silent(0)) for name in DIRECT[1:6]))
    world.run(605, 625)
    world.happens(625, *((name, answers()) for name in DIRECT[1:6]))
    world.run(625, 640)
    world.happens(640, (DIRECT[0], answers()))
    world.run(645, 695)
    assert world.letters == {f"{DIRECT[0]}.silent": "B"}
    world.run(700, 705)
    assert world.letters == {f"{DIRECT[0]}.silent": "D"}


def test_a_gateway_with_all_relays_silent_behind_it_is_one_alarm() -> None:
    world = world_of(*((name, 30.0 * n) for n, name in enumerate(BEHIND)))
    world.run(245, 1_200)
    assert world.annunciated == [GATEWAY]


def test_relays_behind_a_gateway_wait_for_one_another() -> None:
    # one is asked every 300 s there, so that the last may go 300 s after the first
    world = world_of((BEHIND[0], 0), (BEHIND[1], 150), (BEHIND[2], 300))
    world.run(485, 1_200)
    assert world.annunciated == [GATEWAY]


def test_one_relay_silent_behind_a_gateway_is_that_relay() -> None:
    world = world_of((BEHIND[0], 0.0))
    world.run(185, 1_200)
    assert world.annunciated == [f"{BEHIND[0]}.silent"]


def test_a_relay_that_is_paused_behind_a_gateway_does_not_count() -> None:
    world = World()
    world.happens(0, (BEHIND[2], ev.RelayPaused(why="crew")))
    for name in BEHIND[:2]:
        world.happens(180, (name, silent(0)))
    world.run(180, 1_200)
    assert world.annunciated == [GATEWAY]


def test_a_relay_at_work_counts_with_its_gateway_once_the_window_is_over() -> None:
    """Without an event of any of them. Found by the trial, seed 2135."""
    world = World()
    world.happens(0, (BEHIND[2], ev.RelayPaused(why="crew")))
    world.happens(0, (BEHIND[1], added(BEHIND[1], 0, 2_000)))
    world.happens(10, (BEHIND[1], moved(WorkState.PLANNED, WorkState.UNDER_WAY)))
    for name in BEHIND[:2]:
        world.happens(300, (name, silent(100)))
    world.run(305, 1_995)
    assert world.letters == {f"{BEHIND[0]}.silent": "B", f"{BEHIND[1]}.silent": "F"}
    world.run(2_000, 3_000)
    assert world.letters == {f"{BEHIND[0]}.silent": "D", GATEWAY: "B"}


def test_a_gateway_goes_with_the_network_where_that_is_away() -> None:
    gone = [(name, 0.0) for name in (*DIRECT[:6], *BEHIND)]
    world = world_of(*gone)
    world.run(180, 1_200)
    assert world.annunciated == [NETWORK]


def test_a_relay_that_is_asked_seldom_goes_with_the_network_when_it_is_found_out() -> None:
    # its last answer was 250 s before that of the others, and it is missed 900 s after it
    world = world_of(*((name, 0.0) for name in DIRECT[:6]))
    world.run(185, 900)
    world.happens(900, (BEHIND[0], silent(-250)))
    world.run(900, 2_000)
    assert world.annunciated == [NETWORK]


def test_eight_relays_behind_one_gateway_are_that_gateway_and_not_the_network() -> None:
    file = FILE + "".join(
        f"  - {{id: g{n}-feeder, bay: G{n}, function: feeder, host: 127.1.2.9, unit: {n},"
        " behind_serial: true, maps: [any]}\n"
        for n in range(1, 9)
    )
    world = World(site(file=file))
    for n in range(1, 9):
        world.happens(180, (f"g{n}-feeder", silent(0)))
    world.run(180, 1_200)
    assert world.annunciated == ["gateway-127-1-2-9-502.gateway_silent"]


def test_where_the_catalogue_has_no_alarm_of_many_each_is_told() -> None:
    start = TEXT.index("  - id: gateway_silent")
    end = TEXT.index("  - id: not_in_service")
    world = World(site(TEXT[:start] + TEXT[end:]))
    for name in (*DIRECT[:6], *BEHIND):
        world.happens(180, (name, silent(0)))
    world.run(180, 1_200)
    assert len(world.annunciated) == 9
