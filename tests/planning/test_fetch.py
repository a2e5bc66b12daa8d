"""What to fetch for what is due: every step of each way, as the maker asks for it."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import Any

import pytest

from poller.answers.due import fetch_csv, fetch_rows, fetch_text
from poller.model.due import Excepted, PackageCheck
from poller.model.standing import State
from poller.planning.due import due
from poller.planning.fetch import Fetch, to_fetch
from poller.site.settings import Site
from tests.planning.test_due import BELOW, NONE
from tests.work.substation import APPROVED, PLATE, T0, after, site, state

DIGEST = "ab" * 32
PACKAGE = f"""\
    fetched_by: {{}}
    packages:
      - version: "5.2"
        file: larch-5-2.zip
        size: 1024
        sha256: {DIGEST}
        digest: {{{{source: release note, on: 2026-02-10, by: A. Quill, how: typed}}}}
"""


def asked_by(word: str) -> Site:
    head = "    version_scheme: {kind: dotted_service_pack}\n"
    return site(approved=APPROVED.replace(head, PACKAGE.format(word) + head))


def plate(serial: str, code: str | None) -> dict[str, Any]:
    return {**BELOW, "nameplate": replace(PLATE, serNum=serial, orderCode=code)}


TWO = state(k1_feeder=plate("TW5", "L21-A"), q01_main1=plate("TW0", "L21-B"))


def fetched(given: State, word: str) -> tuple[Fetch, ...]:
    return to_fetch(due(given, asked_by(word), NONE, (), {}, T0), given)


ASKED = [
    ("family", [("5.1 SP2", "Larch protection", 2), ("5.2", "Larch protection", 2)]),
    (
        "order_code",
        [
            ("5.1 SP2", "L21-A", 1),
            ("5.1 SP2", "L21-B", 1),
            ("5.2", "L21-A", 1),
            ("5.2", "L21-B", 1),
        ],
    ),
    (
        "serial_number",
        [("5.1 SP2", "TW0", 1), ("5.1 SP2", "TW5", 1), ("5.2", "TW0", 1), ("5.2", "TW5", 1)],
    ),
]


@pytest.mark.parametrize(("word", "expected"), ASKED)
def test_each_package_of_the_way_is_fetched_as_the_maker_asks(
    word: str, expected: list[tuple[str, str, int]]
) -> None:
    told = [(one.version, one.what, len(one.relays)) for one in fetched(TWO, word)]
    assert told == expected


def test_what_may_wait_is_not_fetched() -> None:
    one = Excepted(id="e1", relay="k1-feeder", until="2026-12-31", why="x", at=T0, by=None)
    given = replace(state(k1_feeder=BELOW), exceptions={"e1": one})
    assert fetched(given, "family") == ()


@pytest.mark.parametrize(("passed", "checked"), [(True, True), (False, False)])
def test_a_package_counts_as_checked_where_its_check_found_nothing(
    passed: bool, checked: bool
) -> None:
    check = PackageCheck(
        file="x.zip", rule="larch", version="5.2", passed=passed, at=after(days=-1), by=None
    )
    found = fetched(replace(TWO, packages={DIGEST: check}), "family")
    assert [one.checked for one in found] == [False, checked]


def test_the_text_to_paste_says_what_the_maker_asks_for_and_no_positions() -> None:
    given = state(k1_feeder=plate("TW5", "L21-A"), q01_main1=plate("TW0", None))
    assert fetch_text(fetch_rows(fetched(given, "order_code"), given)) == (
        "Larch protection, firmware 5.1 SP2\n"
        "  for order code: L21-A\n"
        "  and for 1 relay of which no order code is known\n"
        "Larch protection, firmware 5.2\n"
        "  for order code: L21-A\n"
        "  and for 1 relay of which no order code is known\n"
    )


def test_a_spreadsheet_takes_no_cell_for_a_formula() -> None:
    """Source: OWASP, CSV Injection."""
    given = state(k1_feeder=plate("=1+1", "L21-A"))
    data = fetch_csv(fetch_rows(fetched(given, "serial_number"), given))
    rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"))))
    assert [row[3] for row in rows] == ["which", "'=1+1", "'=1+1"]
