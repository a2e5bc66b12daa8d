"""Simulator, Mosquitto, subscriber and a poller that can be killed, each a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poller.edges import control
from simulator import tell
from tests.e2e import processes as run

QUIET = run.CONFIG / "scenarios" / "quiet.yaml"
# the shortest that settings allow: as much as can be shall be under way when a kill comes
INTERVALS = {
    **run.INTERVALS,
    "status_s": 1,
    "nameplate_s": 1,
    "confirm_s": 1,
    "confirm_after_restart_s": 1,
    "silent_misses": 60,  # nobody falls silent here, however slow this machine is
}
ANSWER_S = 10.0


@dataclass
class Stand:
    """A site whose poller is started and ended by hand. up: (ready, gone), seconds since epoch."""

    folder: Path
    site: Path
    addresses: dict[str, str]
    port: int
    service: subprocess.Popen[bytes] | None = None
    up: list[tuple[float, float]] = field(default_factory=list)
    _ready: float | None = None

    @property
    def journal(self) -> Path:
        return self.folder / str(json.loads(self.site.read_text())["journal"]["file"])

    @property
    def log(self) -> Path:
        return self.folder / "poller.log"

    @property
    def received(self) -> Path:
        return self.folder / "events.jsonl"

    def start(self) -> None:
        command = [sys.executable, "-m", "poller.cli.app", "run", str(self.site), "--log-json"]
        with self.log.open("ab") as log:
            self.service = subprocess.Popen(command, stderr=log, cwd=run.ROOT, env=environment())
        self._ready = None

    def answers(self) -> bool:
        """Whether the service is up; noted the first time that it is."""
        assert self.service is not None
        assert self.service.poll() is None, f"the service ended by itself; see {self.log}"
        try:
            control.request(self.socket, "hello", "hello", {}, wait_s=ANSWER_S)
        except (control.Unreachable, ValueError):
            return False
        self._ready = self._ready or time.time()
        return True

    def wait(self) -> None:
        run.until(self.answers, "the service answers")

    def end(self, number: signal.Signals) -> int:
        """SIGKILL or SIGTERM; returns the exit code."""
        assert self.service is not None
        gone = time.time()
        self.service.send_signal(number)
        code = self.service.wait(20)
        if self._ready is not None:
            self.up.append((self._ready, gone))
        self.service = None
        return code

    @property
    def socket(self) -> Path:
        return control.socket_path(self.journal)

    def ask(self, number: str, op: str, args: dict[str, Any]) -> Any:
        """As a command line does. Raises Unreachable or Refusal."""
        return control.request(self.socket, number, op, args, wait_s=ANSWER_S)

    def tell(self, **wish: Any) -> bool:
        """The simulator's live control; whether the relay can do that."""
        return bool(tell.ask(str(self.folder / "simulator.sock"), wish)["ok"])

    def rows(self) -> list[dict[str, Any]]:
        """The simulated relays as they are."""
        rows: list[dict[str, Any]] = tell.ask(str(self.folder / "simulator.sock"), {"do": "list"})[
            "relays"
        ]
        return rows

    def bayroll(self, *words: str) -> subprocess.CompletedProcess[str]:
        return bayroll(*words, "--site", str(self.site))


def environment() -> dict[str, str]:
    assert "BAYROLL_RUNTIME_DIR" in os.environ, "else the sockets of real services are in the way"
    return dict(os.environ)


def bayroll(*words: str) -> subprocess.CompletedProcess[str]:
    """A command in a process of its own, as a person starts it."""
    return subprocess.run(
        [sys.executable, "-m", "poller.cli.app", *words],
        capture_output=True,
        text=True,
        timeout=60,
        cwd=run.ROOT,
        env=environment(),
    )


def short_site(
    folder: Path, addresses: dict[str, str], port: int | None, journal: Path | None = None
) -> Path:
    """A site file with INTERVALS, and a broker that is called again at once."""
    site = run.write_site(folder, addresses, port)
    written = json.loads(site.read_text())
    written["intervals"] = INTERVALS
    if port is not None:
        written["outputs"] = {"mqtt": {"retry_cap_s": 0.2}}
    if journal is not None:
        written["journal"]["file"] = str(journal)
    site.write_text(json.dumps(written))
    return site


@contextmanager
def simulated(folder: Path, port: int | None, journal: Path | None = None) -> Iterator[Stand]:
    """The relays answer and the site file is written; the poller is not started.

    port: of a broker. journal: where it lies, in place of the folder.
    """
    with run.simulator(QUIET, folder) as addresses:
        site = short_site(folder, addresses, port, journal)
        stand = Stand(folder, site, addresses, port or 0)
        try:
            yield stand
        finally:
            if stand.service is not None:
                stand.end(signal.SIGKILL)


@contextmanager
def whole_stand(folder: Path) -> Iterator[Stand]:
    """With Mosquitto, and a subscriber that stays: its lines lie in folder/events.jsonl."""
    with run.mosquitto(folder) as port:
        with (
            run.subscriber(port, "bayroll/v1/+/event", folder / "events.jsonl"),
            run.subscriber(port, "bayroll/v1/+/poller", folder / "poller.jsonl"),
            simulated(folder, port) as stand,
        ):
            yield stand
