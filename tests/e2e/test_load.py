"""A trial at a simulated relay on real sockets, as a person makes it on the bench."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.e2e import processes as run

QUIET = run.CONFIG / "scenarios" / "quiet.yaml"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Relays that nobody polls."""
    folder = tmp_path_factory.mktemp("bench")
    with run.simulator(QUIET, folder) as addresses:
        yield run.write_site(folder, addresses, None)


def trial(site: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "poller.cli.app", "load", str(site), "--measure", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=run.ROOT,
        env={**os.environ, "BAYROLL_RUNTIME_DIR": str(site.parent / "run")},
    )


@pytest.mark.parametrize("relay", ["q01-main1", "q01-control", "k1-feeder2"])
def test_a_simulated_relay_keeps_up(site: Path, relay: str) -> None:
    started = trial(site, relay, "--for", "3s", "--json")
    told = json.loads(started.communicate(timeout=60)[0])
    assert (started.returncode, told["against"]) == (0, [])
    assert told["answers"] in (told["traffic"]["requests"], told["traffic"]["requests"] - 1)
    assert 0 < told["median_s"] <= told["p99_s"] <= told["longest_s"] < 3
    assert told["visits"] >= 3


def test_ctrl_c_ends_it_early_with_what_was_measured(site: Path) -> None:
    started = trial(site, "q01-main2", "--for", "1h", "--json")
    assert started.stderr is not None
    assert "Ctrl-C ends it early" in started.stderr.readline()
    started.send_signal(signal.SIGINT)
    told = json.loads(started.communicate(timeout=60)[0])
    assert told["took_s"] < 60
