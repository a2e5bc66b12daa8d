"""python -m simulator SCENARIO: a fleet of simulated relays, until Ctrl-C or its story ends."""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final, TextIO

from poller.model.problems import Faulty
from simulator import control, front_end, tell
from simulator.bench import Truth
from simulator.serve import Fleet
from simulator.stage import Stage, load_stage

DONE, WRONG, BAD_INPUT, UNREACHABLE = 0, 1, 2, 3
LINE_ENDS: Final = "\n"


def main(arguments: Sequence[str]) -> int:
    if arguments[:1] == ["tell"]:
        return tell.main(arguments[1:])
    if arguments[:1] == ["listen"]:
        return front_end.main(arguments[1:])
    given = _parser().parse_args(arguments)
    try:
        stage = load_stage(given.scenario, _read_text, given.site)
    except (Faulty, OSError, UnicodeDecodeError) as why:
        sys.stderr.write(f"{why}\n")
        return BAD_INPUT
    try:
        with ExitStack() as files:
            truth = None
            if given.truth is not None:
                truth = files.enter_context(Path(given.truth).open("a", encoding="utf-8"))
            asyncio.run(_run(stage, given, truth))
    except OSError as why:
        sys.stderr.write(f"{why}\n    mend: another --port-base, --control or --truth\n")
        return UNREACHABLE
    return DONE


async def _run(stage: Stage, given: argparse.Namespace, truth: TextIO | None) -> None:
    """Raises OSError for an address or a path that can't be had."""
    ending = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, ending.set)

    def told(one: Truth) -> None:
        if truth is not None:
            _write_line(truth, one.plain())

    fleet = Fleet(
        stage,
        free_ports=given.free_ports,
        port_base=given.port_base,
        speed=given.speed,
        told=told,
    )
    path = Path(given.control) if given.control else control.default_path()
    async with fleet, control.Control(fleet, path, ending.set):
        _say_ready(fleet, path)
        await _until_the_end(fleet, ending, until_done=given.until_done)


async def _until_the_end(fleet: Fleet, ending: asyncio.Event, *, until_done: bool) -> None:
    """A story that breaks off ends the simulator, with its reason."""
    assert fleet.playing is not None
    wished = asyncio.create_task(ending.wait())
    await asyncio.wait([wished, fleet.playing], return_when=asyncio.FIRST_COMPLETED)
    if fleet.playing.done():
        fleet.playing.result()
        if not until_done:
            await wished
    wished.cancel()


def _say_ready(fleet: Fleet, path: Path) -> None:
    """A line for programs on stdout, one for people on stderr."""
    relays = {name: str(address) for name, address in fleet.addresses.items()}
    _write_line(sys.stdout, {"ready": True, "relays": relays, "control": str(path)})
    sys.stderr.write(
        f"{len(relays)} relays answer. In another terminal: python -m simulator tell {path} list\n"
    )


def _write_line(out: TextIO, value: dict[str, Any]) -> None:
    out.write(json.dumps(value) + LINE_ENDS)
    out.flush()


def _read_text(path: str) -> str:
    return Path(path).read_text(encoding="utf-8")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulator",
        description="Simulated relays on loopback addresses. `tell` plays with a running one.",
    )
    parser.add_argument("scenario", help="a scenario file, such as config/scenarios/demo.yaml")
    parser.add_argument("--site", help="the relays of this site file instead of the scenario's")
    ports = parser.add_mutually_exclusive_group()
    ports.add_argument("--port-base", type=int, metavar="N", help="ports from N on, one an address")
    ports.add_argument("--free-ports", action="store_true", help="any port that is free")
    parser.add_argument("--truth", metavar="FILE", help="appends each change as a line of JSON")
    parser.add_argument("--control", metavar="PATH", help="the control socket")
    parser.add_argument(
        "--speed", type=float, metavar="X", help="the story's time is X times faster"
    )
    parser.add_argument("--until-done", action="store_true", help="ends when the story does")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
