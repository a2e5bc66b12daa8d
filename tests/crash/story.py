"""What happens while a poller is killed again and again: relays change, people give commands."""

from __future__ import annotations

import random
import threading
import time
import uuid
from dataclasses import dataclass, field
from typing import Any

from poller.decide import Refusal
from poller.edges.control import Unreachable
from tests.crash.stand import Stand

# By the simulator's map: flags that may come and go, and attributes with a value never seen before.
FLAGS = {
    "larch": ("storage_low", "settings_changed", "relay_failure"),
    "pike": ("storage_low", "settings_changed"),
    "otter": ("support_ending",),  # one code tells all its flags: one at a time
}
VALUES = {
    "larch": {"swRev": "5.{n}", "configRev": "R{n}", "settingsId": "{n}"},
    "pike": {"swRev": "2.01.{n:03}", "configRev": "{n}"},
    "otter": {"configRev": "C{n}"},
}
FLAG_CHANCE = 0.6
EVERY_S = 0.1  # a change, on the average
REST_S = (0.2, 9.0)  # then the same thing rests: some are too short to be seen, some are not


class Changes(threading.Thread):
    """Changes relays through the simulator's live control until stop(). Draws are seeded."""

    def __init__(self, stand: Stand, seed: int) -> None:
        super().__init__(daemon=True)
        self._stand, self._chance = stand, random.Random(seed)
        self._maps = {row["relay"]: row["map"] for row in stand.rows()}
        self._standing: set[tuple[str, str]] = set()
        self._rests: dict[tuple[str, str], float] = {}
        self._number = 10
        self._ending = threading.Event()
        self.made = 0

    def run(self) -> None:
        while not self._ending.wait(self._chance.expovariate(1 / EVERY_S)):
            self._one()

    def stop(self) -> None:
        self._ending.set()
        self.join()

    def _one(self) -> None:
        relay = self._chance.choice(sorted(self._maps))
        kind = self._maps[relay]
        if kind not in FLAGS:
            return
        if self._chance.random() < FLAG_CHANCE:
            what = self._chance.choice(FLAGS[kind])
        else:
            what = self._chance.choice(sorted(VALUES[kind]))
        rest = self._chance.uniform(*REST_S)
        now = time.monotonic()
        if now < self._rests.get((relay, what), 0):
            return
        self._rests[relay, what] = now + rest
        self.made += self._stand.tell(relay=relay, **self._wish(relay, kind, what))

    def _wish(self, relay: str, kind: str, what: str) -> dict[str, Any]:
        if what in FLAGS[kind]:
            stands = (relay, what) in self._standing
            (self._standing.discard if stands else self._standing.add)((relay, what))
            return {"do": "clear" if stands else "raise", "flag": what}
        self._number += 1
        return {"do": "set", "attribute": what, "value": VALUES[kind][what].format(n=self._number)}


@dataclass
class Asked:
    """One command. answer: what was said; refused: why not; tries: as often was it sent."""

    number: str
    relays: list[str]
    answer: dict[str, Any] | None = None
    refused: str | None = None
    tries: int = 0


@dataclass
class Clerk:
    """A person who accepts baselines one after the other, and repeats what got no answer."""

    stand: Stand
    seed: int
    every_s: float = 0.05
    answers: int = 0
    asked: list[Asked] = field(default_factory=list)
    _ending: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self._chance = random.Random(self.seed)
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """The last command is answered first: the service must be up."""
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        relays = sorted(self.stand.addresses)
        while not self._ending.wait(self._chance.uniform(0, 2 * self.every_s)):
            number = str(uuid.UUID(int=self._chance.getrandbits(128)))
            asked = Asked(number, self._chance.sample(relays, self._chance.randint(1, 4)))
            self.asked.append(asked)
            while not self._answered(asked):
                time.sleep(0.05)

    def _answered(self, asked: Asked) -> bool:
        asked.tries += 1
        args = {"who": "clerk", "relays": asked.relays, "why": f"try {asked.tries}"}
        try:
            asked.answer = self.stand.ask(asked.number, "baseline_accept", args)
            self.answers += 1
        except Unreachable:
            return False
        except Refusal as reason:
            asked.refused = str(reason)
        return True
