"""What happens to two hundred relays in an hour or more: every misbehaviour in turn, each by twenty
of them, and true changes all the while that stay, so that each must have been told in the end."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any, Final

from simulator.misbehaviour import KINDS
from tests.e2e.processes import CONFIG

RELAYS: Final = 200
MAPS: Final = ("larch", "pike", "otter")  # in turn, as the simulator deals them out
HEALS_S: Final = 120.0  # at the end nobody misbehaves and nothing changes any more
CHANGE_EVERY_S: Final = 8.0
CHANCE: Final = 0.3  # of a reply that is spoiled
CORRUPTED_EVERY_S: Final = 15.0  # one reply: two wrong in the same way are a reading like another
PARAMETERS: Final = {
    "delay": {"seconds": 0.4, "jitter_s": 0.8},
    "idle_close": {"seconds": 1.0},
    "split": {"gap_s": 0.05},
}
WHOLE: Final = {"slots", "idle_close", "refuse"}  # of connections: on or off
CHANGES: Final = {
    "larch": ("flag:storage_low", "flag:settings_changed", "configRev", "settingsId", "swRev"),
    "pike": ("flag:storage_low", "flag:settings_changed", "configRev"),
    "otter": ("flag:support_ending", "configRev"),
}
VALUES: Final = {"configRev": "{n}", "settingsId": "{n}", "swRev": "5.{n}"}


def scenario(lasts_s: float, seed: int) -> dict[str, Any]:
    """A scenario file as plain data."""
    busy_s = lasts_s - HEALS_S
    return {
        "format": 1,
        "scenario": "soak",
        "fleet": {"count": RELAYS, "maps": list(MAPS), "maps_folder": str(CONFIG / "maps")},
        "boxes_of": str(CONFIG / "scenarios" / "demo.yaml"),
        "seed": seed,
        "story": [*_misbehaviours(busy_s), *_changes(busy_s, seed)],
        "ends_s": lasts_s,
    }


def _misbehaviours(busy_s: float) -> Iterator[dict[str, Any]]:
    each_s = busy_s / len(KINDS)
    for number, kind in enumerate(KINDS):
        if kind == "corrupted":
            yield from _corruptions(number, each_s)
            continue
        scene: dict[str, Any] = {
            "at": round(number * each_s, 1),
            "until": round((number + 1) * each_s, 1),
            "relay": f"r0?{number % 10}?",
            "do": "misbehave",
            "kind": kind,
        }
        if kind not in WHOLE:
            scene["chance"] = CHANCE
        yield scene | ({"parameters": PARAMETERS[kind]} if kind in PARAMETERS else {})


def _corruptions(number: int, each_s: float) -> Iterator[dict[str, Any]]:
    at = number * each_s
    while at < (number + 1) * each_s:
        who = {"at": round(at, 1), "relay": f"r0?{number % 10}?"}
        yield who | {"do": "misbehave", "kind": "corrupted", "times": 1}
        at += CORRUPTED_EVERY_S


def _changes(busy_s: float, seed: int) -> Iterator[dict[str, Any]]:
    """Each attribute of a relay once at most: the second would hide the first from who was away."""
    draws = random.Random(seed)
    left = [
        (f"r{number + 1:04}", what)
        for number in range(RELAYS)
        for what in CHANGES[MAPS[number % len(MAPS)]]
    ]
    draws.shuffle(left)
    at = 30.0
    for count, (relay, what) in enumerate(left, 20):
        if at > busy_s:
            return
        yield {"at": round(at, 1), "relay": relay, **_done(what, count)}
        at += draws.expovariate(1 / CHANGE_EVERY_S)


def _done(what: str, count: int) -> dict[str, Any]:
    if what.startswith("flag:"):
        return {"do": "flag_raised", "flag": what.removeprefix("flag:")}
    to = {what: VALUES[what].format(n=count)}
    if what == "swRev":
        return {"do": "firmware_update", "to": to, "away_s": 8, "boot_s": 4}
    return {"do": "settings_change", "to": to}
