"""A broker that was away while a thousand things changed, under the real poller."""

from __future__ import annotations

import asyncio
import json
import signal
import time
import uuid
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from poller.journal.store import Reader
from tests.crash import judging
from tests.crash.kills import SITE, whole_lines
from tests.crash.stand import Stand, simulated
from tests.e2e import processes as run
from tests.publishing.brokers import Mosquitto

CHANGES = 1_000
SUBSCRIBER = ["-c", "-i", "trial", "-q", "1", "-t", f"bayroll/v1/{SITE}/event"]  # a lasting session


@dataclass
class Ran:
    failures: list[str] = field(default_factory=list)
    last: int = 0
    waited: int = 0
    seconds: float = 0.0

    def __str__(self) -> str:
        end = f"{len(self.failures)} FAILURES" if self.failures else "all that waited told once"
        return (
            f"{self.waited} waited, {self.last} told {self.seconds:.1f} s after it was back: {end}"
        )


def trial(folder: Path, progress: Callable[[str], None] = lambda _: None) -> Ran:
    """BAYROLL_RUNTIME_DIR must name a folder of the trial's."""
    ran, broker = Ran(), Mosquitto(folder)
    asyncio.run(broker.start())
    try:
        command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker.port), *SUBSCRIBER]
        with (
            (folder / "events.jsonl").open("w") as out,
            run.process(*command, stdout=out),
            simulated(folder, broker.port) as stand,
        ):
            _through(ran, stand, broker, progress)
    finally:
        asyncio.run(broker.stop())
    return ran


def _through(ran: Ran, stand: Stand, broker: Mosquitto, progress: Callable[[str], None]) -> None:
    stand.start()
    stand.wait()
    run.until(lambda: _first_reads(stand) == len(stand.addresses), "all are read", 60)
    run.until(lambda: _output(stand)["lag"] == 0, "all is delivered")
    asyncio.run(broker.stop())
    run.until(lambda: not _output(stand)["connected"], "it is noticed that the broker is away")
    waiting = _seq(stand)
    while _seq(stand) < waiting + CHANGES:
        args = {
            "who": "clerk",
            "relays": sorted(stand.addresses),
            "why": "while the broker is away",
        }
        stand.ask(str(uuid.uuid4()), "baseline_accept", args)
    ran.waited = int(str(_output(stand)["lag"]))
    progress(f"{ran.waited} events wait")
    asyncio.run(broker.start())
    back = time.monotonic()
    run.until(lambda: _output(stand)["lag"] == 0, "all is delivered", 60)
    ran.last, ran.seconds = _seq(stand), time.monotonic() - back
    run.until(lambda: len(set(_seqs(stand))) >= ran.last, "the subscriber has it all")
    # events may have come since: only what the subscriber has is looked at
    run.until(lambda: _cursor(stand) >= ran.last, "the cursor is noted")
    if ran.waited < CHANGES:
        ran.failures.append(f"only {ran.waited} waited")
    # what was on its way when the broker went comes again; what waited for it does not
    ran.failures += judging.recorded_is_received(_seqs(stand), ran.last, crashes=1)
    counts = Counter(seq for seq in _seqs(stand) if seq > waiting)
    ran.failures += judging.few("twice", [seq for seq, count in counts.items() if count > 1])
    with Reader.open(stand.journal) as reader:
        events = reader.read(0, 100_000)
    ran.failures += judging.received_is_recorded(whole_lines(stand.received), events, SITE)
    if stand.end(signal.SIGTERM) != 0:
        ran.failures.append("it did not end well")


def _output(stand: Stand) -> dict[str, object]:
    found: dict[str, object] = stand.ask("status", "status", {})["outputs"][0]
    return found


def _seq(stand: Stand) -> int:
    return int(stand.ask("status", "status", {})["journal"]["seq"])


def _cursor(stand: Stand) -> int:
    with Reader.open(stand.journal) as reader:
        return reader.cursor("mqtt")


def _seqs(stand: Stand) -> list[int]:
    return [json.loads(line)["seq"] for line in whole_lines(stand.received)]


def _first_reads(stand: Stand) -> int:
    return sum(line["kind"] == "nameplate_first_read" for line in run.lines(stand.received))
