"""bayroll read and try-map at a simulated relay, without a socket: what they print of it."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from poller.cli import asking
from poller.cli.app import app
from poller.cli.asking import Ask
from poller.cli.shipped import config_folder
from poller.model.nameplate import Nameplate
from poller.model.status import Behaviour, Health
from poller.reading.exchange import Outcome, match
from poller.reading.frames import Request
from poller.site.builtin import ANY
from poller.site.load import load_map
from simulator.image import Condition
from simulator.relay import Relay

PLACE = "127.1.1.1:42499"
LARCH = config_folder() / "maps" / "larch.yaml"
ENCODINGS = ("latin-1", "utf-16")


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """A command at that relay: at(relay, "read", PLACE)."""

    def run(relay: Relay, *words: str) -> Result:
        async def ask(request: Request) -> Outcome:
            return match(request, relay.reply(request.pdu))

        def answered(*_: Any) -> None:
            asyncio.run(work_of(_[-1], ask))

        monkeypatch.setattr(asking, "with_device", answered)
        return CliRunner().invoke(app, words)

    return run


async def work_of(work: Callable[[Ask], Awaitable[None]], ask: Ask) -> None:
    await work(ask)


def larch(**condition: Any) -> Relay:
    return Relay(
        layout=load_map(LARCH.read_text(), str(LARCH)),
        nameplate=Nameplate(vendor="Tarnwick Electric", swRev="5.2", serNum="TW1900001"),
        condition=Condition(**condition),
    )


def rows(result: Result) -> dict[str, str]:
    """The lines that it printed, by their first word."""
    lines = (line.split(maxsplit=1) for line in result.stdout.splitlines())
    return {line[0]: line[1].strip() for line in lines if len(line) > 1}


@pytest.mark.parametrize(
    ("health", "behaviour", "says"),
    [
        (Health.OK, Behaviour.ON, ("ok", "on")),
        (Health.WARNING, Behaviour.BLOCKED, ("warning", "blocked")),
        (Health.ALARM, Behaviour.TEST_BLOCKED, ("alarm", "test, blocked")),
    ],
)
def test_health_and_behaviour_are_words(
    at: Callable[..., Result], health: Health, behaviour: Behaviour, says: tuple[str, str]
) -> None:
    told = rows(at(larch(health=health, behaviour=behaviour), "read", PLACE, "--map", str(LARCH)))
    assert (told["health"], told["behaviour"]) == says


def test_programs_get_the_numbers_of_the_standard(at: Callable[..., Result]) -> None:
    result = at(larch(health=Health.WARNING), "read", PLACE, "--map", str(LARCH), "--json")
    assert json.loads(result.stdout)["status"]["health"] == 2


def test_a_relay_that_knows_no_identification_is_to_get_a_map(at: Callable[..., Result]) -> None:
    result = at(larch(), "read", PLACE)
    assert (result.exit_code, result.stdout.splitlines()) == (
        1,
        [
            "not read: Modbus identification (function 43/14): the device does not know it",
            "    mend: write a map of its registers (copy one of config/maps/); "
            "give it with --map FILE",
        ],
    )


def test_what_was_refused_is_not_absent(at: Callable[..., Result]) -> None:
    found = json.loads(at(larch(), "read", PLACE, "--json").stdout)
    assert (found["absent"], len(found["faults"])) == ([], 1)


def test_what_a_device_was_asked_for_and_has_not_is_absent(at: Callable[..., Result]) -> None:
    relay = Relay(layout=ANY, nameplate=Nameplate(vendor="Quern Works", swRev="F"))
    result = at(relay, "read", PLACE)
    assert (result.exit_code, "nothing stands there" in result.stdout) == (0, True)


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("command", ["read", "try-map"])
def test_a_map_in_another_encoding_is_to_be_saved_as_utf8(
    at: Callable[..., Result], tmp_path: Path, command: str, encoding: str
) -> None:
    file = tmp_path / "latin.yaml"
    file.write_text(f"# Überstrom\n{LARCH.read_text()}", encoding=encoding)
    words = (PLACE, "--map", str(file)) if command == "read" else (str(file), PLACE)
    result = at(larch(), command, *words)
    assert (result.exit_code, result.stderr) == (
        2,
        f"{file} can't be read: it is not UTF-8 text\n    mend: save it as UTF-8\n",
    )
