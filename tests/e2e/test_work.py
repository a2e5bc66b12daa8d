"""Planned work over real sockets, given at the command line: one update takes, one comes up wrong,
one nobody planned; and what an MQTT client that is not ours hears of it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.e2e import processes as run

HERE = Path(__file__).parent
WHO = ("--who", "A. Tester")
SOAK_S = 3


def bayroll(folder: Path, *arguments: str, code: int = 0) -> Any:
    """What the command says as JSON. code: 1 where it finds something that is not in order."""
    done = subprocess.run(
        [sys.executable, "-m", "poller.cli.app", *arguments, "--json"],
        env=os.environ | {"BAYROLL_RUNTIME_DIR": str(folder / "run")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == code, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def plan(folder: Path, relay: str) -> str:
    now = datetime.now(UTC)
    window = [f"{at:%Y-%m-%dT%H:%M:%S}+00:00" for at in (now, now + timedelta(hours=1))]
    options = ("--to", "5.1 SP2 HF3", "--start", window[0], "--end", window[1])
    (added,) = bayroll(folder, "work", "add", relay, *options, "--although", "a test", *WHO)
    work = str(added["works"][0])
    bayroll(folder, "work", "start", work, "--although", "a test", *WHO)
    return work


def state_of(folder: Path, work: str) -> str:
    rows = bayroll(folder, "work", "list", "--all")
    return next(str(row["state"]) for row in rows if row["id"] == work)


@pytest.mark.timeout(240)
def test_work_from_plan_to_proof(tmp_path: Path) -> None:
    topics = tmp_path / "work.jsonl"
    with run.mosquitto(tmp_path) as port, run.subscriber(port, "bayroll/v1/+/work/+", topics):
        with run.simulator(HERE / "work.yaml", tmp_path) as addresses:
            site = run.write_site(tmp_path, addresses, port)
            told = json.loads(site.read_text())
            told["work"] = {"soak_s": SOAK_S, "bays_at_once": 10}
            site.write_text(json.dumps(told))
            with run.poller(site):
                run.until(lambda: any((tmp_path / "run").glob("*")), "it answers")
                run.until(lambda: _read(tmp_path) == 24, "all are read", within_s=60)
                takes, wrong = plan(tmp_path, "t1-main1"), plan(tmp_path, "t2-main1")
                tell = partial(_tell, tmp_path / "simulator.sock")
                tell("set", "t1-main1", "swRev", "5.1 SP2 HF3")
                tell("set", "t2-main1", "swRev", "5.1 SP1")
                tell("set", "b1-busbar", "swRev", "5.1 SP2 HF3")
                for work in (takes, wrong):
                    bayroll(tmp_path, "work", "end", work, *WHO)
                bayroll(tmp_path, "work", "note", takes, "injected", "--kind", "tested", *WHO)
                run.until(lambda: state_of(tmp_path, takes) == "verified", "proof", within_s=60)
                run.until(lambda: state_of(tmp_path, wrong) == "wrong_version", "wrong")
                asked = bayroll(tmp_path, "investigation", "list", code=1)
                assert [one["relay"] for one in asked] == ["b1-busbar"]
                bayroll(tmp_path, "work", "close", wrong, "--why", "a spare is fitted", *WHO)
                run.until(lambda: _states(topics, wrong)[-1:] == ["wrong_version"], "told")
    assert _states(topics, takes)[-1] == "verified"


def _tell(socket: Path, *wish: str) -> None:
    command = [sys.executable, "-m", "simulator", "tell", str(socket), *wish]
    subprocess.run(command, check=True, capture_output=True)


def _read(folder: Path) -> int:
    return sum(bool(row["swRev"]) for row in bayroll(folder, "list"))


def _states(topics: Path, work: str) -> list[str]:
    """As the retained topic told them; an empty message, which ends it, is no line."""
    return [str(line["state"]) for line in run.lines(topics) if line["work"] == work]
