"""python -m simulator and python -m simulator tell, as a person starts them."""

from __future__ import annotations

import json
import os
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from poller.reading.frames import adu
from simulator import tell

SCENARIOS = Path(__file__).parents[2] / "config" / "scenarios"
SIMULATOR = [sys.executable, "-m", "simulator"]
FAST = """format: 1
scenario: fast
fleet: {count: 2, maps_folder: MAPS, maps: [larch]}
speed: 100
story:
  - {at: 5, relay: r0001, do: flag_raised, flag: storage_low}
  - {at: 6, relay: r0002, do: silent, until: 8}
ends_s: 20
"""


@dataclass(frozen=True)
class Running:
    process: subprocess.Popen[str]
    ready: dict[str, Any]
    folder: Path

    @property
    def socket(self) -> Path:
        return Path(self.ready["control"])

    def truth(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in (self.folder / "truth").read_text().splitlines()]

    def tell(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*SIMULATOR, "tell", "auto", *words],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env={**os.environ, "XDG_RUNTIME_DIR": str(self.folder), "COLUMNS": "160"},
        )


@contextmanager
def running(folder: Path, scenario: Path, *options: str) -> Iterator[Running]:
    process = subprocess.Popen(
        [*SIMULATOR, str(scenario), "--free-ports", "--truth", str(folder / "truth"), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={
            **os.environ,
            "XDG_RUNTIME_DIR": str(folder),
            "BAYROLL_FUNCTION_CODES": str(folder / "codes"),
        },
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line, "it did not start"
        yield Running(process, json.loads(line), folder)
    finally:
        process.kill()
        process.communicate()


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("quiet"), SCENARIOS / "quiet.yaml") as one:
        yield one


def test_the_ready_line_tells_every_address(quiet: Running) -> None:
    assert quiet.ready["ready"] is True
    assert len(quiet.ready["relays"]) == 24
    assert quiet.ready["relays"]["q01-main1"].startswith("127.1.1.1:")
    assert quiet.ready["relays"]["k1-feeder2"].endswith("/2")


def test_the_socket_is_for_its_owner_only(quiet: Running) -> None:
    assert stat.S_IMODE(quiet.socket.stat().st_mode) == 0o600


# what is told | what is said | the truth that is written, as attribute, before, after
TOLD = """
raise q01-main1 storage_low     | q01-main1: flag storage_low rose   | flag:storage_low False True
clear q01-main1 storage_low     | q01-main1: flag storage_low fell   | flag:storage_low True False
set q01-main1 swRev 6.0         | q01-main1: swRev 5.1 SP            | swRev * 6.0
set q01-main1 health warning    | q01-main1: health 1 -> 2           | health 1 2
set q01-main1 components.boot.swRev 9.9 | boot.swRev 2.4 -> 9.9      | components.boot.swRev 2.4 9.9
away q01-main1                  | q01-main1 is silent now            | answering True False
back q01-main1                  | q01-main1 answers again            | answering False True
misbehave q01-main1 delay --for 0.01 --with seconds=0.1 | nothing that can be read changed |
behave q01-main1                | nothing that can be read changed   |
"""


@pytest.mark.parametrize("line", TOLD.strip().splitlines())
def test_telling_is_done_said_and_written(
    quiet: Running, line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words, said, truth = (part.strip() for part in line.split("|"))
    before = len(quiet.truth())
    code = tell.main([str(quiet.socket), *words.split()])
    answer = capsys.readouterr()
    assert (code, answer.err) == (0, "")
    assert said in answer.out
    written = quiet.truth()[before:]
    assert len(written) == bool(truth)
    for one in written:
        attribute, was, now = truth.split()
        assert (one["relay"], one["attribute"]) == ("q01-main1", attribute)
        assert was in ("*", str(one["before"]))
        assert now == str(one["after"])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("raise q01-main1 unheard", "its map tells no flag unheard; it tells firmware_changed"),
        ("raise nobody storage_low", "no relay nobody here"),
        ("set q01-main1 colour blue", "no colour; there are vendor"),
        ("set q01-main1 health fine", "health is one of ok, warning, alarm"),
        ("set q01-main1 hwRev revision-C", "has 10 characters, the field holds 4"),
        ("misbehave q01-main1 delay --with seconds=-1", "seconds is 0 to 3600"),
    ],
)
def test_what_can_not_be_is_refused(
    quiet: Running, words: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert tell.main([str(quiet.socket), *words.split()]) == 2
    assert says in capsys.readouterr().err.replace("\n", " ")


def test_the_list_of_the_only_simulator_shows_every_relay(quiet: Running) -> None:
    answer = quiet.tell("list")
    assert answer.returncode == 0
    assert all(name in answer.stdout for name in quiet.ready["relays"])


def test_function_codes_are_noted_once_each(quiet: Running) -> None:
    host, _, rest = quiet.ready["relays"]["q01-control"].partition(":")
    with socket.create_connection((host, int(rest.split("/")[0])), timeout=10) as client:
        for pdu in ("0303e80001", "0303e80001", "2b0e0400"):
            client.sendall(adu(1, 255, bytes.fromhex(pdu)))
            client.recv(300)
    assert sorted((quiet.folder / "codes").read_text().split()) == ["3", "43/14"]


def test_a_socket_left_over_is_no_simulator(tmp_path: Path) -> None:
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(tmp_path / "left.sock"))
    left.close()
    with pytest.raises(tell.Unreachable, match="no simulator answers"):
        tell.ask(str(tmp_path / "left.sock"), {"do": "list"})


def test_the_story_is_told_fast_and_ends(tmp_path: Path) -> None:
    scenario = tmp_path / "fast.yaml"
    scenario.write_text(FAST.replace("MAPS", str(SCENARIOS.parent / "maps")))
    with running(tmp_path, scenario, "--until-done") as one:
        assert one.process.wait(30) == 0
        assert [(t["relay"], t["attribute"], t["after"]) for t in one.truth()] == [
            ("r0001", "flag:storage_low", True),
            ("r0002", "answering", False),
            ("r0002", "answering", True),
        ]
        assert not one.socket.exists()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    with running(tmp_path, SCENARIOS / "quiet.yaml") as one:
        one.process.send_signal(number)
        assert one.process.wait(10) == 0
        assert not one.socket.exists()


def test_a_broken_scenario_ends_with_2_and_says_why(tmp_path: Path) -> None:
    scenario = tmp_path / "none.yaml"
    scenario.write_text("format: 1\nscenario: none\n")
    ended = subprocess.run(
        [*SIMULATOR, str(scenario)], capture_output=True, text=True, timeout=60, check=False
    )
    assert ended.returncode == 2
    assert "[scenario-no-fleet]" in ended.stderr


def test_a_taken_port_ends_with_3(tmp_path: Path, quiet: Running) -> None:
    port = quiet.ready["relays"]["q01-main1"].partition(":")[2].split("/")[0]
    ended = subprocess.run(
        [*SIMULATOR, str(SCENARIOS / "quiet.yaml"), "--port-base", port],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 3
    assert "--port-base" in ended.stderr
