"""The threat page of DEVELOPERS.md: every line names tests, and they are there."""

from __future__ import annotations

import ast
import re
from functools import cache

import pytest

from tests.e2e.processes import ROOT

TITLE = "## Who could do what"


def table() -> list[list[str]]:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition(f"{TITLE}\n")[2].partition("\n## ")[0]
    rows = [line for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[2:]]


ROWS = table()


@cache
def known_in(file: str) -> frozenset[str]:
    tree = ast.parse((ROOT / "tests" / file).read_text(encoding="utf-8"))
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return frozenset(one.name for one in tree.body if isinstance(one, kinds))


def test_the_page_is_there() -> None:
    assert {row[0] for row in ROWS if row[0]} >= {
        "on the station LAN",
        "at the broker",
        "at the page",
        "a hostile relay",
        "who tampers with a file",
    }


@pytest.mark.parametrize("row", ROWS, ids=[row[1] for row in ROWS])
def test_each_line_names_tests_that_are_there(row: list[str]) -> None:
    *_, named = row
    found = re.findall(r"`([^`]+)::(test_[a-z0-9_]+)`", named)
    assert found, "no test is named"
    assert named.count("`") == 2 * len(found), "something is named that is no test"
    assert [name for file, name in found if name not in known_in(file)] == []
