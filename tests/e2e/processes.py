"""Processes of the end-to-end tests: simulator, poller, Mosquitto and its own subscriber."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from poller.cli import common
from tests.publishing.brokers import free_port

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config"
START_S = 30.0
# a status interval of a second makes three misses out of an update's restart: four are silence
INTERVALS = {
    "status_s": 1,
    "nameplate_s": 3,
    "confirm_s": 2,
    "confirm_after_restart_s": 3,
    "reply_timeout_s": 0.8,
    "rest_ms": 5,
    "silent_misses": 4,
    "unreadable_s": 60,
}
SILENT_S = INTERVALS["status_s"] * INTERVALS["silent_misses"]  # type: ignore[operator]


def until(
    true: Callable[[], bool],
    what: str,
    within_s: float = START_S,
    lacks: Callable[[], object] = lambda: "",
) -> None:
    """Waits for another process; fails with what was waited for, and what is lacking then."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, f"not within {within_s:g} s: {what} {lacks()}"
        time.sleep(0.05)


@contextmanager
def process(
    *command: str, stdout: Any = None, stderr: Any = None, **environment: str
) -> Iterator[subprocess.Popen[str]]:
    """Ends with the block, politely first."""
    with subprocess.Popen(
        command,
        stdout=stdout,
        stderr=stderr,
        env=os.environ | environment,
        text=True,
        cwd=ROOT,
    ) as started:
        try:
            yield started
        finally:
            if started.poll() is None:
                started.send_signal(signal.SIGTERM)
                try:
                    started.wait(10)
                except subprocess.TimeoutExpired:
                    started.kill()
                    started.wait()


@contextmanager
def simulator(scenario: Path, folder: Path) -> Iterator[dict[str, str]]:
    """Where each relay listens. The truth is written to folder/truth.jsonl."""
    command = [sys.executable, "-m", "simulator", str(scenario), "--free-ports"]
    command += ["--truth", str(folder / "truth.jsonl"), "--control", str(folder / "simulator.sock")]
    with process(*command, stdout=subprocess.PIPE) as started:
        assert started.stdout is not None
        line = started.stdout.readline()
        assert line, "the simulator did not start"
        yield json.loads(line)["relays"]


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """The port of a broker without persistence."""
    binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if binary is None or shutil.which("mosquitto_sub") is None:
        pytest.skip("Mosquitto and its clients are not installed on this machine")
    port = free_port()
    settings = folder / "mosquitto.conf"
    settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
    with process(binary, "-c", str(settings), stdout=subprocess.DEVNULL):
        until(lambda: listens(port), "Mosquitto listens")
        yield port


def listens(port: int) -> bool:
    with socket.socket() as sock:
        return sock.connect_ex(("127.0.0.1", port)) == 0


def write_site(folder: Path, addresses: dict[str, str], broker_port: int | None) -> Path:
    """The shipped site, with the simulator's addresses and intervals short enough for a test."""
    site = common.load(CONFIG / "site.yaml").file.model_dump(mode="json", exclude_none=True)
    for relay in site["relays"]:
        place, unit = addresses[relay["id"]].rsplit("/", 1)
        host, port = place.rsplit(":", 1)
        relay |= {"host": host, "port": int(port), "unit": int(unit)}
    site["intervals"] = INTERVALS
    site["outputs"] = {}
    site["page"] = None  # several run at once
    site.pop("broker", None)
    if broker_port is not None:
        site["broker"] = {"host": "127.0.0.1", "port": broker_port}
        site["outputs"] = {"mqtt": {}}
    site["maps_folder"] = str(CONFIG / "maps")
    site["approved"] = str(CONFIG / "approved.yaml")
    site["advisories"] = str(CONFIG / "advisories.yaml")
    path = folder / "site.yaml"
    path.write_text(json.dumps(site))
    return path


@contextmanager
def poller(site: Path) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "poller.cli.app", "run", str(site), "--log-json"]
    with process(*command, BAYROLL_RUNTIME_DIR=str(site.parent / "run")) as started:
        yield started


@contextmanager
def subscriber(port: int, topic: str, into: Path) -> Iterator[None]:
    """mosquitto_sub: a client that is not ours writes each payload as a line."""
    with into.open("w") as out:
        command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", topic]
        with process(*command, stdout=out):
            yield


def lines(path: Path) -> list[dict[str, Any]]:
    """Whole JSON lines of a file that another process may be writing."""
    if not path.exists():
        return []
    return [
        json.loads(line) for line in path.read_text().splitlines(keepends=True) if line[-1:] == "\n"
    ]
