"""bayroll selftest and load on a site folder, with no service and with one that is played."""

from __future__ import annotations

import json
from importlib.metadata import version
from pathlib import Path
from typing import Any

import apsw
import pytest

from poller.edges import control
from poller.edges.machine import Machine
from tests.cli.bench import Bench

DONE, FOUND, BAD_INPUT = 0, 1, 2


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    tmp_path.chmod(0o755)
    return Bench(tmp_path)


def lines(bench: Bench, check: str) -> list[dict[str, Any]]:
    result = bench.run("selftest", "--json")
    told = [json.loads(line) for line in result.stdout.splitlines()]
    return [line for line in told if line["check"] == check]


def test_without_a_service_the_rest_is_looked_at_all_the_same(bench: Bench) -> None:
    result = bench.run("selftest")
    assert result.exit_code == FOUND
    assert "start it: bayroll run SITE" in result.stdout
    assert {line["found"] for line in lines(bench, "relay")} == {"not known"}
    assert {line["found"] for line in lines(bench, "output")} == {"not known"}
    assert {line["found"] for line in lines(bench, "file")} == {"ok"}


def test_a_journal_that_others_may_change_is_found(bench: Bench) -> None:
    bench.journal.chmod(0o666)
    wrong = [line for line in lines(bench, "file") if line["found"] != "ok"]
    # SQLite gives what it makes beside it the same mode
    assert wrong[0]["mend"] == f"chmod 0664 {bench.journal}"
    assert {Path(line["about"]).name.split("-")[0] for line in wrong} == {bench.journal.name}


def test_a_journal_of_another_schema_is_found(bench: Bench) -> None:
    connection = apsw.Connection(str(bench.journal))
    connection.pragma("user_version", 99)
    connection.close()
    (line,) = lines(bench, "journal")
    assert (line["found"], "version 99" in line["says"]) == ("to be looked at", True)


def test_a_site_file_that_was_changed_since_is_found(bench: Bench) -> None:
    bench.site_file.write_text(bench.site_file.read_text() + "\n# changed\n")
    (line,) = lines(bench, "site file")
    assert (line["found"], "SIGHUP" in line["mend"]) == ("to be looked at", True)


def test_with_a_service_that_is_well_the_exit_code_is_0(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the service tells is played; the journal has 24 relays, of which one answers."""
    monkeypatch.setattr("poller.cli.selftest.control.request", played)
    monkeypatch.setattr("poller.cli.selftest.machine.look", lambda _: well())
    result = bench.run("selftest")
    assert result.exit_code == DONE, result.stdout
    assert "nothing that has to be looked at" in result.stdout


def played(_path: Path, _number: str, op: str, _args: dict[str, Any]) -> Any:
    journal = {"seq": 9, "waiting": 0, "failing": None, "judging": "running"}
    line = {"output": "mqtt", "cursor": 9, "lag": 0, "connected": True, "says": "connected"}
    status = {"version": version("bayroll"), "journal": journal, "outputs": [line]}
    return {"status": status, "live": {}}[op]


def well() -> Any:
    return Machine(disk_free=10**12, clock_kept=True)


def test_a_service_that_refuses_counts_as_none(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(*_: object) -> None:
        raise control.Unreachable("gone")

    monkeypatch.setattr("poller.cli.selftest.control.request", refuses)
    assert [line["found"] for line in lines(bench, "service")] == ["to be looked at"]
