"""A site folder with a journal in which something happened, and the command line on it."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from typer.testing import CliRunner, Result

from poller.cli.app import app
from poller.cli.shipped import config_folder
from poller.decide import About, Input, SiteRead, Started, decide
from poller.journal.store import Batch, Writer
from poller.judging.findings import Answering, Believed, Edges
from poller.model.nameplate import Component, Nameplate
from poller.model.standing import State
from poller.model.status import Health
from poller.site.load import load_site
from poller.state import fold

AT = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
HOSTILE = "V1\x1b[2J\u202e<b>"  # clears a terminal, turns text around, marks it up
COVERS = frozenset({"vendor", "model", "serNum", "swRev", "components.boot.swRev"})


def nameplate(version: str, serial: str = "TW1900001") -> Nameplate:
    return Nameplate(
        vendor="Tarnwick Electric",
        model="LARCH-21",
        serNum=serial,
        swRev=version,
        components=(Component(name="boot", swRev="2.4"),),
    )


def believed(version: str, serial: str = "TW1900001", minute: int = 0) -> Believed:
    at = AT + timedelta(minutes=minute)
    return Believed(
        nameplate=nameplate(version, serial),
        map="larch",
        covers=COVERS,
        last_old_at=at - timedelta(minutes=1),
        first_new_at=at,
        relay_time=None,
    )


STORY: tuple[tuple[str, Any], ...] = (
    ("q01-main1", Answering()),
    ("q01-main1", believed("5.1 SP2")),
    ("q02-main1", believed(HOSTILE, serial="TW1900004")),
    ("q01-main1", believed("5.2", minute=30)),
    (
        "q01-main1",
        Edges(
            flags={"firmware_changed": True},
            health=Health.WARNING,
            last_old_at=AT,
            first_new_at=AT + timedelta(minutes=30),
        ),
    ),
)


class Bench:
    """Commands run as `bayroll WORDS --site FILE`, with no service."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        shutil.copytree(config_folder() / "maps", folder / "maps")
        for name in ("approved.yaml", "advisories.yaml"):
            shutil.copy(config_folder() / name, folder)
        shutil.copytree(config_folder() / "advisories", folder / "advisories")
        self.site_file = folder / "site.yaml"
        shutil.copy(config_folder() / "site.yaml", self.site_file)
        self.journal = folder / "bayroll.journal"
        self._write()

    def _write(self) -> None:
        site = load_site(str(self.site_file), lambda path: Path(path).read_text())
        state, now = State(), AT
        inputs: list[Input] = [Started(version="0"), SiteRead()]
        inputs += [About(relay=relay, finding=finding) for relay, finding in STORY]
        with Writer.open(self.journal) as writer:
            for given in inputs:
                events = decide(state, site, given, now).events
                state = fold(state, enumerate(events, start=state.seq + 1))
                if events:
                    writer.write([Batch(events=events)])
                now += timedelta(minutes=1)

    def run(self, *words: str, site: bool = True) -> Result:
        extra = ["--site", str(self.site_file)] if site else []
        return CliRunner().invoke(app, [*words, *extra])

    def json(self, *words: str) -> list[dict[str, Any]]:
        result = self.run(*words, "--json")
        assert result.exit_code == 0, result.output
        return [json.loads(line) for line in result.stdout.splitlines()]
