"""What a story does to relays, and the truth that comes of it: in virtual time, without sockets."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from poller.site.settings import RelayEntry
from simulator.acts import Away, Back, Flag, Impossible, Write
from simulator.bench import Bench
from simulator.scenario import Scenario
from simulator.stage import Stage, load_stage
from tests.simulator.layouts import layout

BEGAN = datetime(2026, 1, 1, tzinfo=UTC)
SCENARIOS = Path(__file__).parents[2] / "config" / "scenarios"
HELD = {"table": "holding", "type": "ascii"}
CODE = {"table": "holding", "type": "enum"}
RISES, FALLS = "flag:firmware_changed False -> True", "flag:firmware_changed True -> False"
FLAGS = {"firmware_changed": {"kind": "latched", "cleared_by": "restart", "says": "x"}}
OLD = {
    "ranges": [{"table": "holding", "first": 0, "last": 99}],
    "identity": {
        "swRev": {**HELD, "address": 0, "registers": 4},
        "serNum": {**HELD, "address": 10, "registers": 5},
    },
    "status": {
        "health": {**CODE, "address": 30, "names": {0: "ok", 1: "alarm"}},
        "behaviour": {**CODE, "address": 31, "names": {1: "on", 3: "test"}},
        "flags": [{**CODE, "address": 32, "type": "bits", "bits": {0: "firmware_changed"}}],
    },
    "flags": FLAGS,
}  # fmt: skip
NEW = {**OLD, "nameplate": {"hwRev": {**HELD, "address": 20, "registers": 1}}}


def stage(*scenes: dict[str, Any], **more: Any) -> Stage:
    """Two relays, a and b, of a family whose newer firmware shows its hardware as well."""
    plate = {"swRev": ["1.0"], "serNum": ["S{n:03}"]}
    scenario = Scenario.model_validate(
        {
            "format": 1,
            "scenario": "test",
            "boxes": [{"map": "old", "nameplate": plate}],
            "story": list(scenes),
            **more,
        }
    )
    entries = tuple(
        RelayEntry(
            id=name, bay="Q1", function="main", host="127.1.0.1", port=port, maps=("old", "new")
        )
        for name, port in (("a", 1_001), ("b", 1_002))
    )
    maps = {"old": layout(map="old", **OLD), "new": layout(map="new", **NEW)}
    return Stage(scenario=scenario, entries=entries, maps=maps)


def told(one: Stage) -> list[str]:
    """The truth of the whole story: second, relay, attribute, before and after."""
    bench = one.bench(BEGAN)
    lines = []
    for cue in one.story().cues:
        for truth in bench.do(cue.relay, cue.act, BEGAN + timedelta(seconds=cue.at_s)):
            second = (truth.at - BEGAN).total_seconds()
            lines.append(
                f"{second:g} {truth.relay} {truth.attribute} {truth.before} -> {truth.after}"
            )
    return lines


AWAY = "answering True -> False"
HERE = "answering False -> True"


@pytest.mark.parametrize(
    ("scene", "wanted"),
    [
        (
            {"at": 5, "do": "firmware_update", "to": {"swRev": "1.1"}, "away_s": 3, "boot_s": 2,
             "flag": "firmware_changed", "flag_cleared_after_s": 10},
            [f"5 a {AWAY}", f"8 a {HERE}", "10 a swRev 1.0 -> 1.1",
             f"10 a {RISES}", f"20 a {FALLS}"],
        ),
        (
            {"at": 5, "do": "firmware_update", "to": {"swRev": "2.0", "hwRev": "C"}, "map": "new",
             "away_s": 3, "boot_s": 0},
            [f"5 a {AWAY}", f"8 a {HERE}", "8 a hwRev None -> C", "8 a swRev 1.0 -> 2.0"],
        ),
        (
            {"at": 5, "do": "firmware_update", "to": {"swRev": "1.1"}, "away_s": 0, "boot_s": 0},
            ["5 a swRev 1.0 -> 1.1"],
        ),
        (
            {"at": 5, "do": "settings_change", "to": {"swRev": "1.2"}, "flag": "firmware_changed"},
            ["5 a swRev 1.0 -> 1.2", f"5 a {RISES}"],
        ),
        (
            {"at": 5, "do": "replaced", "away_s": 2},
            [f"5 a {AWAY}", f"7 a {HERE}", "7 a serNum S001 -> S003"],
        ),
        (
            {"at": 5, "do": "replaced", "away_s": 0, "to": {"serNum": "X1"}},
            ["5 a serNum S001 -> X1"],
        ),
        ({"at": 5, "do": "silent", "until": 9}, [f"5 a {AWAY}", f"9 a {HERE}"]),
        ({"at": 5, "do": "silent"}, [f"5 a {AWAY}"]),
        ({"at": 5, "do": "busy", "until": 9}, []),
        ({"at": 5, "do": "flag_cleared", "flag": "firmware_changed"}, []),
        ({"at": 5, "do": "flag_raised", "flag": "firmware_changed"},
         [f"5 a {RISES}"]),
        ({"at": 5, "do": "test_mode", "until": 9},
         ["5 a behaviour 1 -> 3", "9 a behaviour 3 -> 1"]),
        ({"at": 5, "do": "health", "health": "alarm"}, ["5 a health 1 -> 3"]),
        ({"at": 5, "do": "misbehave", "kind": "garbage", "until": 9}, []),
    ],
)  # fmt: skip
def test_the_truth_of_a_scene(scene: dict[str, Any], wanted: list[str]) -> None:
    assert told(stage({"relay": "a", **scene})) == wanted


@pytest.mark.parametrize("scene", ["firmware_update", "replaced"])
@pytest.mark.parametrize("how", ["no_reply", "refuse"])
def test_how_it_is_away_while_it_changes(scene: str, how: str) -> None:
    cues = stage({"at": 5, "relay": "a", "do": scene, "to": {"serNum": "X1"}, "how": how}).story()
    assert next(cues.due(5)).act == Away(how=how)


@pytest.mark.parametrize("restarted", [True, False])
def test_silence_with_and_without_a_restart(restarted: bool) -> None:
    scene = {"at": 5, "relay": "a", "do": "silent", "until": 9, "restarted": restarted}
    assert [cue.act for cue in stage(scene).story().cues][-1] == Back(restarted=restarted)


def test_what_changes_while_a_relay_is_silent_shows_when_it_is_back() -> None:
    one = stage(
        {"at": 1, "relay": "a", "do": "silent", "until": 9},
        {"at": 2, "relay": "a", "do": "settings_change", "to": {"swRev": "1.1"}},
        {"at": 3, "relay": "a", "do": "settings_change", "to": {"swRev": "1.2"}},
    )
    assert told(one) == [f"1 a {AWAY}", f"9 a {HERE}", "9 a swRev 1.0 -> 1.2"]


def test_a_pattern_means_several_relays() -> None:
    one = stage({"at": 1, "relay": "*", "do": "silent"})
    assert told(one) == [f"1 a {AWAY}", f"1 b {AWAY}"]


def test_what_is_due_is_given_out_once() -> None:
    one = stage(
        {"at": 1, "relay": "*", "do": "silent"}, {"at": 4, "relay": "a", "do": "busy"}
    ).story()
    assert one.next_s == 1
    assert [cue.relay for cue in one.due(3)] == ["a", "b"]
    assert list(one.due(3)) == []
    assert one.next_s == 4
    assert [cue.relay for cue in one.due(100)] == ["a"]
    assert one.next_s is None


def test_a_relay_of_its_own_stands_above_its_box() -> None:
    one = stage(relays={"b": {"map": "new", "nameplate": {"swRev": "7.7"}}})
    relay = one.bench(BEGAN).posts["b"].relay
    assert (relay.layout.map, relay.nameplate.swRev) == ("new", "7.7")


@pytest.mark.parametrize(
    ("act", "code"),
    [
        (Flag(flag="unheard", standing=True), "scenario-flag-unknown"),
        (Write(map="unheard"), "scenario-map-unknown"),
        (Write(values={"location": "here"}), "scenario-attribute-unknown"),
    ],
)
def test_what_a_relay_can_not_do_is_told(act: Flag | Write, code: str) -> None:
    with pytest.raises(Impossible) as refused:
        stage().bench(BEGAN).do("a", act, BEGAN)
    assert refused.value.code == code


def test_being_away_twice_is_one_silence() -> None:
    bench = stage().bench(BEGAN)
    counts = [len(bench.do("a", act, BEGAN)) for act in (Away(), Away(), Back(), Back())]
    assert counts == [1, 0, 1, 0]


def shipped(name: str) -> Stage:
    return load_stage(str(SCENARIOS / name), lambda path: Path(path).read_text())


@pytest.mark.parametrize("name", sorted(path.name for path in SCENARIOS.glob("*.yaml")))
def test_every_scenario_that_ships_can_be_told(name: str) -> None:
    told(shipped(name))


def test_no_serial_number_comes_twice() -> None:
    bench: Bench = shipped("thousand.yaml").bench(BEGAN)
    serials = {post.relay.nameplate.serNum for post in bench.posts.values()}
    assert len(serials) == len(bench.posts) == 1_000


def test_the_demo_shows_its_three_things_within_a_minute() -> None:
    early = [line for line in told(shipped("demo.yaml")) if float(line.split()[0]) < 60]
    assert "17 q02-main1 swRev 5.1 SP2 -> 5.2" in early
    assert "25 q03-control flag:support_ending False -> True" in early
    assert f"35 q04-main1 {AWAY}" in early
