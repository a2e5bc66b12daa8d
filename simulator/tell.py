"""python -m simulator tell SOCKET|auto ...: play with a running simulator from another terminal."""

from __future__ import annotations

import argparse
import json
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from simulator.control import running
from simulator.misbehaviour import KINDS

ANSWER_S: Final = 10.0
DONE, WRONG, BAD_INPUT, UNREACHABLE = 0, 1, 2, 3


class Unreachable(Exception):
    """No simulator there, or not exactly one; the text says which."""


def main(arguments: Sequence[str]) -> int:
    given = _parser().parse_args(arguments)
    out = Console(highlight=False)
    err = Console(stderr=True, highlight=False)
    if given.do == "kinds":
        out.print(_kinds())
        return DONE
    try:
        answer = ask(given.socket, _wish(given))
    except Unreachable as why:
        err.print(f"{why}\n    mend: start one: python -m simulator SCENARIO", markup=False)
        return UNREACHABLE
    if not answer["ok"]:
        err.print(answer["says"], markup=False)
        return BAD_INPUT
    if "relays" in answer:
        out.print(_listed(answer["relays"]))
        return DONE
    for line in _sentences(answer):
        out.print(line, markup=False)
    return DONE


def ask(where: str, wish: dict[str, Any]) -> dict[str, Any]:
    """One wish, one answer. where: a socket, or auto for the only simulator that runs.

    Raises Unreachable.
    """
    with _connected(where) as line:
        try:
            line.sendall(json.dumps(wish).encode() + b"\n")
            with line.makefile("rb") as answers:
                answer = json.loads(answers.readline())
        except (OSError, ValueError) as why:
            raise Unreachable(f"the simulator gave no answer: {why!r}") from None
    assert isinstance(answer, dict)
    return answer


def _connected(where: str) -> socket.socket:
    paths = running() if where.lower() == "auto" else [Path(where)]
    live = []
    for path in paths:
        line = socket.socket(socket.AF_UNIX)
        line.settimeout(ANSWER_S)
        try:
            line.connect(str(path))
        except OSError:  # left over from one that died
            line.close()
            continue
        live.append((path, line))
    if len(live) == 1:
        return live[0][1]
    for _, line in live:
        line.close()
    if not live:
        raise Unreachable(f"no simulator answers at {where}")
    raise Unreachable(f"which one? {', '.join(str(path) for path, _ in live)}")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m simulator tell")
    parser.add_argument("socket", help="the control socket, or auto for the only one that runs")
    verbs = parser.add_subparsers(dest="do", required=True)
    for verb, says in (("raise", "a flag rises"), ("clear", "a flag falls")):
        one = verbs.add_parser(verb, help=says)
        one.add_argument("relay")
        one.add_argument("flag")
    one = verbs.add_parser("set", help="another value: swRev, components.boot.swRev, health, map")
    one.add_argument("relay")
    one.add_argument("attribute")
    one.add_argument("value")
    for verb, says in (("away", "it falls silent"), ("back", "it answers again")):
        verbs.add_parser(verb, help=says).add_argument("relay")
    one = verbs.add_parser("misbehave", help="a fault; `kinds` lists them")
    one.add_argument("relay")
    one.add_argument("kind", choices=list(KINDS), metavar="KIND")
    one.add_argument("--for", dest="for_s", type=float, metavar="S", help="ends after so long")
    one.add_argument("--chance", type=float, default=1.0, help="of each reply, 0 to 1")
    one.add_argument(
        "--with", dest="parameters", action="append", default=[], type=_named, metavar="NAME=X"
    )
    one = verbs.add_parser("behave", help="faults end")
    one.add_argument("relay")
    one.add_argument("kind", nargs="?", help="only this one")
    verbs.add_parser("kinds", help="the ways to misbehave")
    verbs.add_parser("list", help="the relays as they are")
    verbs.add_parser("stop", help="the simulator ends")
    return parser


def _wish(given: argparse.Namespace) -> dict[str, Any]:
    wish = {name: value for name, value in vars(given).items() if name != "socket"}
    if "parameters" in wish:
        wish["parameters"] = dict(wish["parameters"])
    return wish


def _named(pair: str) -> tuple[str, float]:
    """seconds=2. Raises ValueError, which argparse words."""
    name, _, value = pair.partition("=")
    return name, float(value)


def _sentences(answer: dict[str, Any]) -> list[str]:
    """What a reader of the relay can see now, in words."""
    if "truths" not in answer:
        return [answer["says"]]
    said = []
    for truth in answer["truths"]:
        relay, attribute, after = truth["relay"], truth["attribute"], truth["after"]
        if attribute == "answering":
            said.append(f"{relay} {'answers again' if after else 'is silent now'}")
        elif attribute.startswith("flag:"):
            said.append(f"{relay}: flag {attribute[5:]} {'rose' if after else 'fell'}")
        else:
            said.append(f"{relay}: {attribute} {truth['before']} -> {after}")
    return said or [f"{answer['says']}: done; nothing that can be read changed"]


def _listed(rows: list[dict[str, Any]]) -> Table:
    table = Table()
    for name in ("relay", "address", "map", "model", "version", "serial", "how it is"):
        table.add_column(name, no_wrap=name in ("relay", "address"))
    for row in rows:
        how = [] if row["answers"] else ["silent"]
        how += [row["health"]] if row["health"] != "ok" else []
        how += [row["behaviour"]] if row["behaviour"] != "on" else []
        how += [*row["flags"], *row["misbehaves"]]
        cells = (
            row[name] or "" for name in ("relay", "address", "map", "model", "swRev", "serNum")
        )
        table.add_row(*(Text(cell) for cell in cells), Text(", ".join(how)))
    return table


def _kinds() -> Table:
    table = Table("kind", "what it does", "with")
    for name, kind in KINDS.items():
        parameters = [
            f"{key}={one.default:g} ({one.least:g} to {one.most:g}: {one.says})"
            for key, one in kind.parameters.items()
        ]
        table.add_row(name, kind.says, "\n".join(parameters))
    return table
