"""bayroll load: what it prints and how it ends; what it says is tested beside what it works out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.bench import Bench

DONE, FOUND, BAD_INPUT, UNREACHABLE = 0, 1, 2, 3


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return Bench(tmp_path)


def test_a_row_for_each_relay_and_each_gateway(bench: Bench) -> None:
    result = bench.run("load", str(bench.site_file), site=False)
    assert result.exit_code == DONE, result.output
    larch = next(line for line in result.stdout.splitlines() if line.startswith("q01-main1"))
    assert larch.split() == ["q01-main1", "larch", "63", "756", "2,309", "held", "6"]
    assert sum(line.startswith("127.1.30.1:15020") for line in result.stdout.splitlines()) == 1


def test_json_has_every_relay_and_every_address(bench: Bench) -> None:
    result = bench.run("load", str(bench.site_file), "--json", site=False)
    told = [json.loads(line) for line in result.stdout.splitlines()]
    assert len([one for one in told if "relay" in one]) == 24
    assert len([one for one in told if "host" in one]) == 21
    larch = next(one for one in told if one.get("relay") == "q01-main1")
    assert (larch["hour"]["requests"], larch["minute"]["requests"]) == (63, 6)


def test_more_than_there_is_time_for_is_found(bench: Bench) -> None:
    hurried = "intervals:\n  status_s: 10\n  rest_ms: 10000\n"
    text = bench.site_file.read_text().replace("intervals:\n", hurried, 1)
    bench.site_file.write_text(text)
    result = bench.run("load", str(bench.site_file), site=False)
    assert (result.exit_code, "mend: raise status_s" in result.output) == (FOUND, True)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["--measure", "q99"], BAD_INPUT, "no such relay"),
        (["--measure", "Q02 main 1"], BAD_INPUT, "there is q02-main1"),
        (["--measure", "q01-main1", "--for", "soon"], BAD_INPUT, "write it as 10m, 2h or 90s"),
        (["--measure", "q01-main1", "--for", "0s"], BAD_INPUT, "from a second to 1 d"),
        (["--measure", "q01-main1", "--for", "99h"], BAD_INPUT, "from a second to 1 d"),
        (["--measure", "q01-main1", "--for", "3s"], BAD_INPUT, "longer than the 3 s"),
    ],
)
def test_a_trial_that_can_not_be(bench: Bench, words: list[str], code: int, says: str) -> None:
    result = bench.run("load", str(bench.site_file), *words, site=False)
    assert (result.exit_code, says in result.output) == (code, True), result.output


def test_a_relay_that_does_not_answer(bench: Bench) -> None:
    """At the shipped addresses nobody listens."""
    impatient = "intervals:\n  reply_timeout_s: 0.5\n"
    bench.site_file.write_text(bench.site_file.read_text().replace("intervals:\n", impatient, 1))
    words = ("load", str(bench.site_file), "--measure", "q01-main1", "--for", "1s")
    result = bench.run(*words, site=False)
    assert (result.exit_code, "It does not answer." in result.output) == (UNREACHABLE, True)
