"""By hand, as root: the journal on a small disk of its own, which fills up and is given room."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poller.decide import Refusal
from poller.journal import Journal, Verified
from poller.model import limits
from tests.crash import judging
from tests.crash.stand import Stand, simulated
from tests.crash.story import FLAGS
from tests.e2e import processes as run

SIZE = "8m"
TURN_S = 2.5  # two readings of a flag, and a little
PAUSED_WITHIN_S = 300.0


@dataclass
class Ran:
    """skipped: why it could not be tried here."""

    failures: list[str] = field(default_factory=list)
    numbers: dict[str, Any] = field(default_factory=dict)
    skipped: str | None = None

    def __str__(self) -> str:
        if self.skipped is not None:
            return f"skipped: {self.skipped}"
        numbers = ", ".join(f"{what}: {count}" for what, count in self.numbers.items())
        end = f"{len(self.failures)} FAILURES" if self.failures else "nothing lost or invented"
        return f"{numbers}: {end}"


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={SIZE}", "none", str(folder)], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def trial(folder: Path, progress: Callable[[str], None] = lambda _: None) -> Ran:
    """BAYROLL_RUNTIME_DIR must name a folder of the trial's."""
    if os.geteuid() != 0 or shutil.which("mount") is None:
        return Ran(skipped="only root can mount a small disk")
    ran = Ran()
    try:
        with (
            small_disk(folder / "disk") as disk,
            simulated(folder, None, disk / "bayroll.journal") as stand,
        ):
            _through(ran, stand, disk / "ballast", progress)
    except subprocess.CalledProcessError as reason:
        return Ran(skipped=f"no small disk can be mounted here: {reason}")
    return ran


def _through(ran: Ran, stand: Stand, ballast: Path, progress: Callable[[str], None]) -> None:
    stand.start()
    stand.wait()
    run.until(lambda: _first_reads(stand) == len(stand.addresses), "all are read", 60)
    _fill(ballast)
    began, standing = time.monotonic(), False
    while _journal(stand)["judging"] == "running":
        standing = not standing
        _flags(stand, standing)
        time.sleep(TURN_S)
        progress(str(_journal(stand)))
        assert time.monotonic() < began + PAUSED_WITHIN_S, "judging is never paused"
    paused = time.time()
    ran.numbers["s until judging paused"] = round(time.monotonic() - began)
    said = stand.bayroll("status")
    progress(said.stdout.strip())
    full = _journal(stand)
    ran.numbers |= {"waited": full["waiting"], "because": full["failing"]}
    ran.failures += _degraded(stand, full)
    _flags(stand, not standing)  # while nobody judges
    time.sleep(TURN_S)
    ballast.unlink()
    began = time.monotonic()
    run.until(lambda: _journal(stand)["waiting"] == 0, "all that waited is written", 60)
    judged_again = time.time()
    ran.numbers["s until it was written"] = round(time.monotonic() - began, 1)
    time.sleep(judging.FIRST_READ_S + judging.LASTED_S)
    if _journal(stand)["judging"] != "running":
        ran.failures.append(f"it does not judge again: {_journal(stand)}")
    if stand.end(signal.SIGTERM) != 0:
        ran.failures.append("it did not end well")
    ((ready, gone),) = stand.up
    _judge(ran, stand, [(ready, paused), (judged_again, gone)])


def _degraded(stand: Stand, full: dict[str, Any]) -> list[str]:
    """What has to hold while nothing can be written."""
    failures = []
    if not limits.EVENTS_WAITING_MAX <= full["waiting"] < limits.EVENTS_WAITING_MAX + 8:
        failures.append(f"{full['waiting']} wait; the bound is {limits.EVENTS_WAITING_MAX}")
    relay = sorted(stand.addresses)[0]
    before = stand.ask("live", "live", {})[relay]["at"]
    run.until(lambda: stand.ask("live", "live", {})[relay]["at"] > before, "polling goes on")
    began = time.monotonic()
    try:
        args = {"who": "clerk", "relays": [relay], "why": "disk full"}
        stand.ask(str(uuid.uuid4()), "baseline_accept", args)
        failures.append("a command was answered as done")
    except Refusal:
        if time.monotonic() - began > 1:
            failures.append("a command was not refused at once")
    said = stand.bayroll("status").stdout
    if "paused" not in said or str(full["failing"]) not in said:
        failures.append(f"bayroll status does not say so: {said}")
    return failures


def _judge(ran: Ran, stand: Stand, judging_at: list[tuple[float, float]]) -> None:
    with Journal.open(stand.journal) as journal:
        events = journal.read(0, 1_000_000)
        if not isinstance(journal.verify(), Verified):
            ran.failures.append(f"{journal.verify()}")
    truth = judging.spans(run.lines(stand.folder / "truth.jsonl"), stand.up[-1][1])
    told = judging.tellings(events)
    ran.failures += judging.told_is_true(truth, told, judging_at)
    if [one.seq for one in events] != list(range(1, len(events) + 1)):
        ran.failures.append("the events are not in order")
    ran.numbers |= {"events": len(events), "owed": judging.owed(truth, judging_at)}
    log = stand.log.read_text()
    ran.failures += judging.few("logged", [one for one in log.splitlines() if "Traceback" in one])


def _fill(ballast: Path) -> None:
    with ballast.open("wb", buffering=0) as file:
        for size in (64 * 1024, 4096, 1):
            try:
                while True:
                    file.write(b"\0" * size)
            except OSError:
                continue


def _flags(stand: Stand, standing: bool) -> None:
    for row in stand.rows():
        for flag in FLAGS.get(row["map"], ()):
            stand.tell(relay=row["relay"], do="raise" if standing else "clear", flag=flag)


def _journal(stand: Stand) -> dict[str, Any]:
    found: dict[str, Any] = stand.ask("status", "status", {})["journal"]
    return found


def _first_reads(stand: Stand) -> int:
    with Journal.open(stand.journal) as journal:
        return len(journal.history(kinds=["nameplate_first_read"]))
