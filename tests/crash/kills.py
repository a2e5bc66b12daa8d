"""The trial: a poller that is killed at seeded moments and started again on its journal."""

from __future__ import annotations

import json
import random
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from poller.journal import Broken, Journal
from poller.journal.ports import Head
from poller.model.events import Recorded
from tests.crash import judging
from tests.crash.stand import Stand, whole_stand
from tests.crash.story import Changes, Clerk
from tests.e2e import processes as run

SITE = "fellmoor"
READ_S = 60.0
SETTLED_S = 2.0  # after the last change was told: what is told in excess is told too
DELIVERED_S = 30.0
UPON_S = 2.0


@dataclass
class Verdict:
    """failures: sentences; empty: nothing acknowledged was lost and nothing was invented."""

    seed: int
    kills: int
    failures: list[str] = field(default_factory=list)
    numbers: dict[str, int] = field(default_factory=dict)

    def __str__(self) -> str:
        numbers = ", ".join(f"{count} {what}" for what, count in self.numbers.items())
        end = f"{len(self.failures)} FAILURES" if self.failures else "nothing lost or invented"
        return f"seed {self.seed}: {self.kills} kills, {numbers}: {end}"


@dataclass(frozen=True)
class Life:
    """How long a poller lives: so many seconds from a moment, then until something is said.

    since: started (as a process) or ready (it answers). upon: answer (to a command) or message (to
    the subscriber), in the very moment that it is heard; None: no more than the seconds.
    """

    since: str
    seconds: float
    upon: str | None = None


EARLY, MIDDLE, LONG = ("started", 0.1, 2.0), ("ready", 0.0, 2.0), ("ready", 10.0, 12.0)
TEN = [(*EARLY, None)] * 3 + [(*MIDDLE, None)] * 3 + [(*MIDDLE, "answer"), (*MIDDLE, "message")] * 2
LONG_EVERY = 15  # one that sees changes out; in a short trial only the last poller does


def lives(seed: int, kills: int) -> Iterator[Life]:
    chance = random.Random(seed)
    left: list[tuple[str, float, float, str | None]] = []
    for number in range(1, kills + 1):
        left = left or chance.sample(TEN, len(TEN))
        since, least, most, upon = left.pop() if number % LONG_EVERY else (*LONG, None)
        yield Life(since, chance.uniform(least, most), upon)


def live(stand: Stand, clerk: Clerk, life: Life) -> None:
    """Returns when it is time to die."""
    if life.since == "ready":
        stand.wait()
    time.sleep(life.seconds)
    heard = {"answer": lambda: clerk.answers, "message": lambda: stand.received.stat().st_size}
    if life.upon is not None:
        before, end = heard[life.upon](), time.monotonic() + UPON_S
        while heard[life.upon]() == before and time.monotonic() < end:
            time.sleep(0.0001)


def trial(
    folder: Path, seed: int, kills: int, progress: Callable[[str], None] = lambda _: None
) -> Verdict:
    """Runs it to the end and judges it. BAYROLL_RUNTIME_DIR must name a folder of the trial's."""
    verdict = Verdict(seed, kills)
    with whole_stand(folder) as stand:
        stand.start()
        run.until(lambda: _first_reads(stand) == len(stand.addresses), "all are read", READ_S)
        changes, clerk = Changes(stand, seed), Clerk(stand, seed)
        changes.start()
        clerk.start()
        for number, life in enumerate(lives(seed, kills), 1):
            live(stand, clerk, life)
            stand.end(signal.SIGKILL)
            if number % 2 == 0:  # else the next service is the first that looks
                verdict.failures += _as_left(stand, clerk)
            stand.start()
            progress(f"killed {number} of {kills}: {life}")
        stand.wait()
        changes.stop()
        clerk.stop()
        time.sleep(judging.FIRST_READ_S + judging.LASTED_S + SETTLED_S)
        verdict.failures += _ended(stand)
        _judge(verdict, stand, changes, clerk)
    return verdict


def _first_reads(stand: Stand) -> int:
    return sum(line["kind"] == "nameplate_first_read" for line in run.lines(stand.received))


def _as_left(stand: Stand, clerk: Clerk) -> list[str]:
    """What was acknowledged before the kill is there before anybody writes again."""
    heard = whole_lines(stand.received)
    asked = [one for one in clerk.asked if one.answer is not None]
    events, failures = _journal(stand)
    failures += judging.received_is_recorded(heard, events, SITE)
    return failures + judging.answered_is_recorded(asked, events)


def _ended(stand: Stand) -> list[str]:
    code = stand.end(signal.SIGTERM)
    failures = [] if code == 0 else [f"ended with {code} when asked to stop"]
    log = stand.log.read_text()
    for word in ("Traceback", '"level": "error"', '"level": "critical"'):
        failures += judging.few("logged", [line for line in log.splitlines() if word in line])
    return failures


def _judge(verdict: Verdict, stand: Stand, changes: Changes, clerk: Clerk) -> None:
    events, failures = _journal(stand)
    last = events[-1].seq
    end = time.monotonic() + DELIVERED_S
    while time.monotonic() < end and (_seqs(stand) or [0])[-1] < last - 1:
        time.sleep(0.1)  # the subscriber may be behind the broker; no event is owed a goodbye
    seqs = _seqs(stand)
    truth = judging.spans(run.lines(stand.folder / "truth.jsonl"), stand.up[-1][1])
    told = judging.tellings(events)
    failures += judging.received_is_recorded(whole_lines(stand.received), events, SITE)
    failures += judging.recorded_is_received(seqs, max(seqs), verdict.kills)
    if max(seqs) < last - 1:
        failures.append(f"told to {max(seqs)} of {last}")
    failures += judging.answered_is_recorded(clerk.asked, events)
    failures += judging.told_is_true(truth, told, stand.up)
    failures += _verified_by_command(stand, events)
    verdict.failures += failures
    verdict.numbers = {
        "changes made": changes.made,
        "events": last,
        "told again": judging.repeats(seqs),
        "commands answered": sum(one.answer is not None for one in clerk.asked),
        "of them repeated": sum(one.tries > 1 for one in clerk.asked),
        "changes told": sum(len(one) for one in told.values()),
        "values that had to be told": judging.owed(truth, stand.up),
    }


def _journal(stand: Stand) -> tuple[list[Recorded], list[str]]:
    with Journal.open(stand.journal) as journal:
        verified = journal.verify(_noted(stand))
        events = journal.read(0, 1_000_000)
    if isinstance(verified, Broken):
        return events, [f"broken at event {verified.seq}: {verified.reason}"]
    return events, []


def _noted(stand: Stand) -> Head | None:
    """The newest head that the broker was told."""
    bodies = run.lines(stand.folder / "poller.jsonl")
    heads = [body["head"] for body in bodies if body.get("head")]
    newest = max(heads, key=lambda head: int(head["seq"]), default=None)
    return None if newest is None else Head(seq=newest["seq"], hash=newest["hash"])


def _verified_by_command(stand: Stand, events: list[Recorded]) -> list[str]:
    head = f"{events[-1].seq}:{events[-1].hash}"
    said = stand.bayroll("journal", "verify", "--head", head, "--json")
    whole = said.returncode == 0 and json.loads(said.stdout)["whole"]
    return (
        [] if whole else [f"bayroll journal verify: {said.returncode} {said.stdout}{said.stderr}"]
    )


def whole_lines(path: Path) -> list[bytes]:
    """Lines that were written to their end."""
    return [line[:-1] for line in path.read_bytes().splitlines(keepends=True) if line[-1:] == b"\n"]


def _seqs(stand: Stand) -> list[int]:
    return [line["seq"] for line in run.lines(stand.received)]
