"""The main job on real sockets, each part a process of its own: what mosquitto_sub receives is what
happened in the simulator, one to one."""

from __future__ import annotations

import signal
import time
from collections import Counter
from pathlib import Path

import pytest

from tests.e2e import processes as run
from tests.e2e.told import Fact, happened, told

HERE = Path(__file__).parent


@pytest.mark.timeout(300)
def test_what_the_subscriber_receives_is_what_happened(tmp_path: Path) -> None:
    received = tmp_path / "events.jsonl"
    with run.mosquitto(tmp_path) as port, run.subscriber(port, "bayroll/v1/+/event", received):
        with run.simulator(HERE / "truth.yaml", tmp_path) as addresses:
            site = run.write_site(tmp_path, addresses, port)
            with run.poller(site):
                run.until(
                    lambda: _story_told(tmp_path, received),
                    "the story is told to its end",
                    within_s=180,  # the story is over after a minute; a busy machine lags behind
                    lacks=lambda: _untold(tmp_path, received),
                )
                time.sleep(8)  # what is told in excess would be told by then
    truth = happened(run.lines(tmp_path / "truth.jsonl"), run.SILENT_S)
    heard = told(run.lines(received))
    assert truth - heard == {}, "happened and was not told"
    assert heard - truth == {}, "was told and did not happen"
    seqs = [event["seq"] for event in run.lines(received)]
    assert seqs == sorted(set(seqs)), "in order, each once"


def _story_told(folder: Path, received: Path) -> bool:
    truth = happened(run.lines(folder / "truth.jsonl"), run.SILENT_S)
    ended = ("q04-main1", "answering", False, True) in truth  # the last of the story
    return ended and not _untold(folder, received)


def _untold(folder: Path, received: Path) -> Counter[Fact]:
    truth = happened(run.lines(folder / "truth.jsonl"), run.SILENT_S)
    return truth - told(run.lines(received))


@pytest.mark.timeout(300)
def test_killed_and_started_again_it_invents_nothing_and_finds_what_changed_meanwhile(
    tmp_path: Path,
) -> None:
    received = tmp_path / "events.jsonl"
    truth_file = tmp_path / "truth.jsonl"
    with run.mosquitto(tmp_path) as port, run.subscriber(port, "bayroll/v1/+/event", received):
        with run.simulator(HERE / "truth.yaml", tmp_path) as addresses:
            site = run.write_site(tmp_path, addresses, port)
            with run.poller(site) as first:
                run.until(lambda: _first_reads(received) == 24, "all are read", within_s=21)
                first.send_signal(signal.SIGKILL)
                first.wait()
            run.until(
                lambda: any(line["attribute"] == "serNum" for line in run.lines(truth_file)),
                "a relay was replaced while nobody looked",
            )
            with run.poller(site):
                run.until(
                    lambda: _story_told(tmp_path, received),
                    "what happened meanwhile, and the rest, is told",
                    within_s=180,  # the story is over after a minute; a busy machine lags behind
                    lacks=lambda: _untold(tmp_path, received),
                )
                time.sleep(8)
    truth = happened(run.lines(truth_file), run.SILENT_S)
    heard = told({event["id"]: event for event in run.lines(received)}.values())
    assert heard - truth == {}, "was told and did not happen"
    # q04-main1 fell silent while nobody looked: that it does is told once the poller is back
    assert truth - heard == {}, "happened and was not told"


def _first_reads(received: Path) -> int:
    return sum(event["kind"] == "nameplate_first_read" for event in run.lines(received))
