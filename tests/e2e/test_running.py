"""A running service and the command line beside it, each a process of its own, on real sockets."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.e2e import processes as run
from tests.publishing.brokers import free_port

QUIET = run.CONFIG / "scenarios" / "quiet.yaml"
LARCH = run.CONFIG / "maps" / "larch.yaml"
READ_ALL_S = 20.0


@dataclass
class Beside:
    """Commands in processes of their own, as a person starts them."""

    folder: Path
    addresses: dict[str, str]
    service: subprocess.Popen[str]

    def bayroll(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "poller.cli.app", *words],
            capture_output=True,
            text=True,
            timeout=60,
            cwd=run.ROOT,
            env={**os.environ, "BAYROLL_RUNTIME_DIR": str(self.folder / "run")},
        )

    def rows(self, *words: str) -> list[dict[str, Any]]:
        result = self.bayroll(*words, "--json")
        assert result.returncode == 0, result.stderr
        return [json.loads(line) for line in result.stdout.splitlines()]

    def tell(self, *words: str) -> str:
        """The simulator's live control."""
        socket = str(self.folder / "simulator.sock")
        command = [sys.executable, "-m", "simulator", "tell", socket, *words]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    def place(self, relay: str) -> str:
        return self.addresses[relay].rsplit("/", 1)[0]


@pytest.fixture(scope="module")
def beside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Beside]:
    folder = tmp_path_factory.mktemp("beside")
    with run.simulator(QUIET, folder) as addresses:
        site = run.write_site(folder, addresses, None)
        with run.poller(site) as service:
            found = Beside(folder, addresses, service)
            run.until(
                lambda: (
                    found.bayroll("status").returncode == 0
                    and all(row["swRev"] for row in found.rows("list"))
                ),
                "all relays are read",
            )
            yield found


def test_list_without_a_site_file_finds_the_service(beside: Beside) -> None:
    rows = beside.rows("list")
    assert len(rows) == 24
    assert {row["quality"] for row in rows} == {"good"}


def test_a_flag_raised_in_the_simulator_is_listed(beside: Beside) -> None:
    beside.tell("raise", "q02-main1", "storage_low")
    run.until(lambda: bool(beside.rows("list", "--flag", "storage_low")), "the flag is listed")


def test_a_second_service_on_the_same_journal_is_refused(beside: Beside) -> None:
    result = beside.bayroll("run", str(beside.folder / "site.yaml"))
    assert result.returncode == 3
    assert "journal-locked" in result.stderr


def test_pause_closes_the_connection_and_resume_reads_again(beside: Beside) -> None:
    beside.bayroll("pause", "q01-main1", "--who", "x", "--why", "bench")
    row = next(row for row in beside.rows("list") if row["id"] == "q01-main1")
    assert row["paused"]
    at_pause = row["age_s"]
    time.sleep(2.5)
    row = next(row for row in beside.rows("list") if row["id"] == "q01-main1")
    assert row["age_s"] >= at_pause + 2, "nobody read it meanwhile"
    beside.bayroll("resume", "q01-main1", "--who", "x")
    run.until(
        lambda: next(r for r in beside.rows("list") if r["id"] == "q01-main1")["age_s"] <= 1,
        "it is read again",
    )


def test_read_goes_through_the_service_that_polls(beside: Beside) -> None:
    result = beside.bayroll("read", beside.place("t1-main1"), "--map", str(LARCH), "--json")
    assert result.returncode == 0, result.stderr
    assert "asking through it" in result.stderr
    assert json.loads(result.stdout)["nameplate"]["vendor"] == "Tarnwick Electric"


def test_selftest_tells_what_the_service_knows_of_each_relay(beside: Beside) -> None:
    def answering() -> bool:
        told = beside.bayroll("selftest", "--json").stdout.splitlines()
        lines = [json.loads(line) for line in told]
        relays = [line["found"] for line in lines if line["check"] == "relay"]
        service = [line["found"] for line in lines if line["check"] == "service"]
        return (service, relays) == (["ok"], ["ok"] * 24)

    run.until(answering, "the service and 24 relays are well")


def test_a_trial_beside_the_service_that_polls_is_refused(beside: Beside) -> None:
    result = beside.bayroll("load", str(beside.folder / "site.yaml"), "--measure", "q01-main1")
    assert (result.returncode, "is polled by a service" in result.stderr) == (2, True)


def test_read_without_a_map_asks_for_the_identification(beside: Beside) -> None:
    result = beside.bayroll("read", beside.place("s1-control"), "--json")
    assert json.loads(result.stdout)["nameplate"]["vendor"] == "Quern Works"


def test_read_of_nobody_says_so(beside: Beside) -> None:
    result = beside.bayroll("read", f"127.1.99.99:{free_port()}", "--timeout", "0.5")
    assert result.returncode == 3
    assert "no connection" in result.stderr


def test_try_map_shows_what_another_byte_order_would_read(beside: Beside, tmp_path: Path) -> None:
    wrong = tmp_path / "larch.yaml"
    wrong.write_text(LARCH.read_text().replace("byte_order: high_first", "byte_order: low_first"))
    result = beside.bayroll("try-map", str(wrong), beside.place("t1-main1"), "--json")
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    vendor = next(line for line in lines if line["field"] == "identity.vendor")
    assert vendor["others"]["other byte order"] == "Tarnwick Electric"


def test_try_map_shows_an_address_that_is_one_off(beside: Beside, tmp_path: Path) -> None:
    wrong = tmp_path / "larch.yaml"
    text = LARCH.read_text()
    right = "setting_group: {table: holding, address: 202, type: u16}"
    assert right in text
    text = text.replace("first: 200, last: 219}", "first: 200, last: 219, over_gaps: true}")
    wrong.write_text(text.replace(right, right.replace("202", "203")))
    result = beside.bayroll("try-map", str(wrong), beside.place("t1-main1"), "--json")
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    group = next(line for line in lines if line["field"] == "status.setting_group")
    assert group["others"]["one address lower"] == "1"


FAULTY = [('"q01-main1"', '"Q01 MAIN"', "text-pattern"), ('"fellmoor"', '"alder"', "site-renamed")]


@pytest.mark.parametrize(("right", "wrong", "code"), FAULTY)
def test_a_faulty_site_file_is_not_taken_and_the_old_one_stays(
    beside: Beside, right: str, wrong: str, code: str
) -> None:
    site = beside.folder / "site.yaml"
    good = site.read_text()
    assert right in good
    try:
        site.write_text(good.replace(right, wrong, 1))
        beside.service.send_signal(signal.SIGHUP)
        run.until(lambda: beside.bayroll("status").returncode == 1, "told as not well")
        said = beside.bayroll("status").stdout
        assert "site file: 1 fault when it was to be read again" in said
        assert f"[{code}]\n    mend: " in said
        assert "24 relays" in said
    finally:
        site.write_text(good)
    beside.service.send_signal(signal.SIGHUP)
    run.until(lambda: beside.bayroll("status").returncode == 0, "read again, and well")


def test_a_relay_taken_out_of_the_site_file_is_delisted_without_a_stop(beside: Beside) -> None:
    site = beside.folder / "site.yaml"
    good = site.read_text()
    fewer = json.loads(good)
    fewer["relays"] = [one for one in fewer["relays"] if one["id"] != "t2-main1"]
    site.write_text(json.dumps(fewer))
    beside.service.send_signal(signal.SIGHUP)
    run.until(lambda: len(beside.rows("list")) == 23, "one relay less")
    site.write_text(good)
    beside.service.send_signal(signal.SIGHUP)
    run.until(lambda: len(beside.rows("list")) == 24, "and back again")


def test_it_ends_within_two_seconds_and_says_that_it_stopped(beside: Beside) -> None:
    beside.service.send_signal(signal.SIGTERM)
    began = time.monotonic()
    assert beside.service.wait(10) == 0
    assert time.monotonic() - began < 2
    site = str(beside.folder / "site.yaml")
    last = beside.rows("history", "--last", "1", "--site", site)
    assert [row["kind"] for row in last] == ["service_stopped"]
    assert beside.bayroll("journal", "verify", "--site", site).returncode == 0


def test_another_site_does_not_go_on_in_its_journal(beside: Beside) -> None:
    beside.service.send_signal(signal.SIGTERM)
    beside.service.wait(10)
    other = beside.folder / "other.yaml"
    other.write_text((beside.folder / "site.yaml").read_text().replace('"fellmoor"', '"alder"', 1))
    result = beside.bayroll("run", str(other))
    assert result.returncode == 2
    assert "the journal holds the history of fellmoor, and not of alder" in result.stderr
