"""Files that ship, spoiled at random: whatever they hold, they load or are told as faulty."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from poller.model.problem_codes import CODES
from poller.model.problems import Faulty, Problem
from poller.site import yaml_lines
from poller.site.load import load_alarms, load_approved, load_map, load_site

CONFIG = Path(__file__).parents[2] / "config"
SHIPPED = sorted((CONFIG / "maps").glob("*.yaml"))
MAPS = {path.stem: path.read_text(encoding="utf-8") for path in SHIPPED}
SITE = (CONFIG / "site.yaml").read_text(encoding="utf-8")
APPROVED = (CONFIG / "approved.yaml").read_text(encoding="utf-8")
ALARMS = (CONFIG / "alarms.yaml").read_text(encoding="utf-8")
TEXTS = {**MAPS, "site": SITE, "approved": APPROVED, "alarms": ALARMS}
VALUE = {name: yaml_lines.read(text, name).value for name, text in TEXTS.items()}
# a gateway is among the last; all 24 only take time
VALUE["site"]["relays"] = VALUE["site"]["relays"][-5:]
VALUE["alarms"]["entries"] = VALUE["alarms"]["entries"][-5:]
SECRET = "swordfish"  # noqa: S105 - the password that must not be repeated
KEYS = st.sampled_from(["type", "object", "kind", "bits", "env", "password", "zebra", -5, 5])
VALUES = st.sampled_from(
    [None, True, 0, -1, 1, 16, 65_536, 10**25, 0.5, 1e308, "", "x", "\u00b2", "a" * 300, "{0}",
     "{0.real}", "(?P<a>", "((a+)+)+", "127.1.0.0/16", "a@b", [], {}, [1], [[]], {"a": 1}, {1: 2},
     {"type": [1]}, {"type": {}}, {"type": "bits", "bits": {"registers": 1}}, {"object": [1]}]
)  # fmt: skip
FEW = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def _paths(value: Any, path: yaml_lines.Path = ()) -> Iterator[yaml_lines.Path]:
    yield path
    keys = value if isinstance(value, dict) else range(len(value) if isinstance(value, list) else 0)
    for key in keys:
        yield from _paths(value[key], (*path, key))


def _with(value: Any, path: yaml_lines.Path, new: Any, key: Any) -> Any:
    """A copy with new at the path; where a key is given, under that key beside it."""
    if not path:
        return new
    copy = dict(value) if isinstance(value, dict) else list(value)
    if len(path) > 1:
        copy[path[0]] = _with(value[path[0]], path[1:], new, key)
    elif key is None or isinstance(copy, list):
        copy[path[0]] = new
    else:
        copy[key] = new
    return copy


def _flow(value: Any) -> str:
    """As flow YAML; JSON would make text of whole-number keys."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)}: {_flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_flow, value)) + "]"
    return json.dumps(value)


@st.composite
def spoiled(draw: st.DrawFn, *names: str) -> str:
    """One of the files that ship, with one to three values replaced or added."""
    value = VALUE[draw(st.sampled_from(names))]
    for _ in range(draw(st.integers(1, 3))):
        path = draw(st.sampled_from(list(_paths(value))[1:] or [()]))
        value = _with(value, path, draw(VALUES), draw(st.none() | KEYS))
    return _flow(value)


def _map_problems(text: str) -> tuple[Problem, ...]:
    try:
        load_map(text, "map.yaml")
    except Faulty as faulty:
        return faulty.problems
    return ()


def _site_problems(text: str) -> tuple[Problem, ...]:
    def read(path: str) -> str:
        return text if path == "site.yaml" else (CONFIG / path).read_text(encoding="utf-8")

    try:
        load_site("site.yaml", read)
    except Faulty as faulty:
        return faulty.problems
    return ()


def _approved_problems(text: str) -> tuple[Problem, ...]:
    try:
        load_approved(text, "approved.yaml")
    except Faulty as faulty:
        return faulty.problems
    return ()


def _alarms_problems(text: str) -> tuple[Problem, ...]:
    try:
        load_alarms(text, "alarms.yaml")
    except Faulty as faulty:
        return faulty.problems
    return ()


@FEW
@given(spoiled(*MAPS))
def test_a_spoiled_map_loads_or_is_faulty(text: str) -> None:
    assert {problem.code for problem in _map_problems(text)} <= CODES.keys()


@FEW
@given(spoiled("site"))
def test_a_spoiled_site_loads_or_is_faulty(text: str) -> None:
    assert {problem.code for problem in _site_problems(text)} <= CODES.keys()


@FEW
@given(spoiled("approved"))
def test_a_spoiled_approved_list_loads_or_is_faulty(text: str) -> None:
    assert {problem.code for problem in _approved_problems(text)} <= CODES.keys()


@FEW
@given(spoiled("alarms"))
def test_a_spoiled_catalogue_of_alarms_loads_or_is_faulty(text: str) -> None:
    assert {problem.code for problem in _alarms_problems(text)} <= CODES.keys()


WHERE = st.sampled_from(
    [
        f"broker: {{host: h, password: {SECRET}}}",
        f"broker: {{host: h, password: {{env: {{a: {SECRET}}}}}}}",
        f"broker: {{host: h, password: [{SECRET}]}}",
        f"broker: {{host: h, user: {{name: {SECRET}}}}}",
        f"broker: {{host: 'u:{SECRET}@h'}}",
        f"broker: {{host: h, PassWord: {SECRET}}}",
        f"outputs: {{mqtt: {{token: {SECRET}}}}}",
        f"outputs: {{mqtt: {{broker: {{host: h, password: {SECRET}}}}}}}",
    ]
)


@FEW
@given(WHERE)
def test_a_secret_in_the_file_is_told_and_not_repeated(line: str) -> None:
    head = SITE[: SITE.index("broker:")] + line + "\n" + SITE[SITE.index("journal:") :]
    problems = _site_problems(head)
    assert "secret-in-file" in {problem.code for problem in problems}
    assert SECRET not in "".join(map(str, problems))
