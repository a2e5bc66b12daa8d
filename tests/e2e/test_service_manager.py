"""The real `bayroll run` as a service manager has it: what it tells, and that its unit lets it run.

Source of the words: sd_notify(3). Memory that is never both written and run is asked for as
systemd.exec(5) says MemoryDenyWriteExecute does; a kernel before 6.3 lets it pass.
"""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.e2e import processes as run

QUIET = run.CONFIG / "scenarios" / "quiet.yaml"
WATCHDOG_S = 1.0
# prctl(2): PR_SET_MDWE is 65, PR_MDWE_REFUSE_EXEC_GAIN 1
NO_NEW_CODE = """
import ctypes, os, sys
ctypes.CDLL(None).prctl(65, 1, 0, 0, 0)
os.execv(sys.executable, [sys.executable, "-m", "poller.cli.app", *sys.argv[1:]])
"""


@dataclass
class Managed:
    service: subprocess.Popen[str]
    manager: socket.socket
    site: Path

    def told(self) -> list[str]:
        """The lines of the next datagram."""
        return self.manager.recv(4096).decode().splitlines()

    def told_but_beats(self) -> list[str]:
        while (lines := self.told())[0] == "WATCHDOG=1":
            pass
        return lines


@pytest.fixture(scope="module")
def managed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Managed]:
    folder = tmp_path_factory.mktemp("managed")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(folder / "notify"))
        manager.settimeout(100)  # the start of a busy machine
        with run.simulator(QUIET, folder) as addresses:
            site = run.write_site(folder, addresses, None)
            environment = {
                "BAYROLL_RUNTIME_DIR": str(folder / "run"),
                "NOTIFY_SOCKET": str(folder / "notify"),
                "WATCHDOG_USEC": str(int(WATCHDOG_S * 1_000_000)),
            }
            command = [sys.executable, "-c", NO_NEW_CODE, "run", str(site), "--log-json"]
            with run.process(*command, **environment) as service:
                yield Managed(service, manager, site)


# One service, in order.


def test_it_is_ready_once_its_journal_is_open(managed: Managed) -> None:
    assert managed.told() == ["READY=1"]
    assert (managed.site.parent / "bayroll.journal").exists()


def test_it_says_that_it_goes_on_and_how_it_stands(managed: Managed) -> None:
    for _ in range(3):
        beat, status = managed.told()
        assert beat == "WATCHDOG=1"
        assert status.startswith("STATUS=24 relays, ")


def test_a_reload_is_told_from_beginning_to_end(managed: Managed) -> None:
    managed.service.send_signal(signal.SIGHUP)
    assert managed.told_but_beats()[0] == "RELOADING=1"
    assert managed.told_but_beats() == ["READY=1"]


def test_a_reload_of_a_faulty_file_ends_too(managed: Managed) -> None:
    good = managed.site.read_text()
    managed.site.write_text(good.replace('"q01-main1"', '"Q01 MAIN"', 1))
    managed.service.send_signal(signal.SIGHUP)
    assert managed.told_but_beats()[0] == "RELOADING=1"
    assert managed.told_but_beats() == ["READY=1"]
    managed.site.write_text(good)


def test_it_says_that_it_stops(managed: Managed) -> None:
    managed.service.send_signal(signal.SIGTERM)
    assert managed.told_but_beats() == ["STOPPING=1"]
    assert managed.service.wait(10) == 0
