"""What a running service says to a person, and to a hang-up, where it can't do as asked."""

from __future__ import annotations

import asyncio
import os
import signal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from poller.cli import ask as asking
from poller.cli import desk as desks
from poller.cli.app import app
from poller.cli.common import Where
from poller.cli.desk import Desk
from poller.cli.run import stays
from poller.decide import Refusal
from poller.edges import control
from poller.edges.control import Ask
from poller.model.problems import Faulty


class Full:
    """A service whose disk is full: it takes a command and can't record it."""

    not_written = "FullError"

    async def command(self, given: object, *, number: str, by: str) -> dict[str, Any]:
        await asyncio.Event().wait()
        raise AssertionError("it is never recorded")


async def test_who_can_not_have_it_recorded_is_told_so_and_what_becomes_of_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(desks, "RECORDED_S", 0.01)
    desk = Desk(Full(), site_file=Path("s"), journal=Path("j"), reread=None)  # type: ignore[arg-type]
    args = {"who": "Ada", "relays": ["q01-main1"], "why": "x"}
    with pytest.raises(Refusal) as told:
        await desk.handle(Ask(id="1", op="baseline_accept", args=args, peer=0))
    says = str(told.value)
    assert "it was taken, and is not recorded" in says
    assert "the journal can't be written now: FullError" in says
    assert "lost if the service ends before" in says


def test_a_command_that_a_service_took_is_not_tried_again_beside_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def silent(*words: object) -> None:
        raise control.Unanswered("no answer within 30 s")

    monkeypatch.setattr(control, "request", silent)
    place = Where(site_file=tmp_path / "site.yaml", journal=tmp_path / "j")
    with pytest.raises(Refusal, match="no answer within 30 s: what was asked may be done yet"):
        asking.ask(place, "pause", {"who": "Ada", "relays": ["q01-main1"], "why": "x"})


async def test_no_answer_in_time_is_told_from_nobody_there(tmp_path: Path) -> None:
    async def silent(given: Ask) -> None:
        await asyncio.Event().wait()

    path = tmp_path / "x.sock"
    with pytest.raises(control.Unreachable) as nobody:
        control.request(path, "1", "status", {}, wait_s=0.1)
    assert not isinstance(nobody.value, control.Unanswered)
    async with control.serve(path, silent):
        with pytest.raises(control.Unanswered):
            await asyncio.to_thread(control.request, path, "1", "status", {}, 0.1)


def test_a_running_service_can_not_move_its_journal() -> None:
    stays(Path("a/b.journal"), Path("a/../a/b.journal"), Path("site.yaml"))
    with pytest.raises(Faulty, match=r"a/b.journal when the service was started") as told:
        stays(Path("a/b.journal"), Path("a/c.journal"), Path("site.yaml"))
    assert [one.code for one in told.value.problems] == ["site-journal-moved"]


def test_a_hang_up_while_it_reads_its_files_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    hung_up: list[int] = []

    def load(site_file: Path) -> None:
        os.kill(os.getpid(), signal.SIGHUP)
        raise Refusal("read as far as this test needs")

    monkeypatch.setattr("poller.cli.run.common.load", load)
    # the log of all tests after this one would go to what is closed with it
    monkeypatch.setattr("poller.cli.run.set_up_log", lambda as_json: None)
    before = signal.signal(signal.SIGHUP, lambda number, frame: hung_up.append(number))
    try:
        assert CliRunner().invoke(app, ["run", "site.yaml"]).exit_code == 2
    finally:
        signal.signal(signal.SIGHUP, before)
    assert hung_up == []
