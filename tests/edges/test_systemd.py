"""Datagrams to a real socket, by sd_notify(3); from memory: names, @ for abstract, one per line."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from poller.edges.systemd import BEAT_S, Systemd


@pytest.fixture(params=["file", "abstract"])
def heard(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """NOTIFY_SOCKET and the manager's end of it."""
    name = f"@bayroll-{os.getpid()}" if request.param == "abstract" else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(name.replace("@", "\0", 1) if name[0] == "@" else name)
        manager.settimeout(5)
        yield name, manager


SAID: dict[str, tuple[Callable[[Systemd], None], str]] = {
    "ready": (Systemd.ready, "READY=1"),
    "alive": (lambda one: one.alive("24 relays"), "WATCHDOG=1\nSTATUS=24 relays"),
    "stuck, which is no sign of life": (lambda one: one.stuck("journal"), "STATUS=journal"),
    "text with a line of its own": (lambda one: one.stuck("a\nREADY=1"), "STATUS=a\\x0aREADY=1"),
    "stopping": (Systemd.stopping, "STOPPING=1"),
}


@pytest.mark.parametrize("what", SAID)
def test_each_word_is_one_datagram(heard: tuple[str, socket.socket], what: str) -> None:
    name, manager = heard
    say, words = SAID[what]
    say(Systemd({"NOTIFY_SOCKET": name}))
    assert manager.recv(4096).decode() == words


def test_a_reload_carries_its_moment(heard: tuple[str, socket.socket]) -> None:
    name, manager = heard
    Systemd({"NOTIFY_SOCKET": name}).reloading()
    first, second = manager.recv(4096).decode().splitlines()
    assert first == "RELOADING=1"
    assert second.startswith("MONOTONIC_USEC=")
    assert second.partition("=")[2].isdecimal()


@pytest.mark.parametrize("address", ["", "vsock:2:1234", "relative/path"])
def test_without_a_socket_of_this_machine_nothing_is_sent_nor_told(address: str) -> None:
    with capture_logs() as logs:
        Systemd({"NOTIFY_SOCKET": address}).ready()
        Systemd({}).ready()
    assert logs == []


def test_a_manager_that_is_gone_is_told_once(tmp_path: Path) -> None:
    one = Systemd({"NOTIFY_SOCKET": str(tmp_path / "nobody")})
    with capture_logs() as logs:
        one.ready()
        one.alive()
    assert [line["event"] for line in logs] == ["service_manager_not_told"]


BEATS = [
    ({}, BEAT_S),
    ({"WATCHDOG_USEC": "6000000"}, 3.0),  # half of it: sd_watchdog_enabled(3)
    ({"WATCHDOG_USEC": "60000000"}, BEAT_S),
    ({"WATCHDOG_USEC": "0"}, BEAT_S),
    ({"WATCHDOG_USEC": "soon"}, BEAT_S),
    ({"WATCHDOG_USEC": "6000000", "WATCHDOG_PID": "1"}, BEAT_S),  # meant for another process
    ({"WATCHDOG_USEC": "6000000", "WATCHDOG_PID": str(os.getpid())}, 3.0),
]


@pytest.mark.parametrize(("environment", "beat_s"), BEATS)
def test_how_often_it_tells(environment: dict[str, str], beat_s: float) -> None:
    assert Systemd(environment).beat_s == beat_s
