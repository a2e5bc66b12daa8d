"""The report drawn: its parts, what asks for an answer, and texts that would do harm."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from typing import Final

import pytest

from poller.answers.evidence.bundle import bundle
from poller.answers.evidence.html import as_html
from poller.answers.evidence.reach import Kept, covered, reach
from poller.answers.evidence.remarks import remarks
from poller.answers.evidence.report import Chain, Configuration, Report
from poller.answers.evidence.tables import TABLES, as_csv
from poller.model import events as ev
from poller.model.nameplate import Nameplate
from poller.model.work import Line
from tests.answers.evidence.story import (
    NEW,
    accepted,
    at,
    changed,
    entered,
    event,
    gathered,
    listed,
    loaded,
    opened,
    planned,
    read,
    span,
)

QUARTER = span("01-01", "04-01")
HARM: Final = "<img src=x onerror=alert(1)>\"'&=2\x1b[2J\u202e"
CHAIN: Final = Chain(
    journal="j",
    seq=9,
    hash="cd" * 32,
    events=9,
    first_seq=1,
    first_at=at("01-01", "00:00"),
    last_at=at("03-31"),
    whole=True,
    says="whole",
)


def report(told: list[ev.Event]) -> Report:
    found = gathered(sorted(told, key=lambda one: one.at), QUARTER)
    return Report(
        site="hollin",
        span=QUARTER,
        first_seq=1,
        last_seq=9,
        end_hash="ef" * 32,
        chain=CHAIN,
        reach=(),
        covered=True,
        asset_classes=found.asset_classes,
        relays=found.relays(),
        works=found.works(),
        packages=found.packages(),
        entered=found.entered(),
        poller=found.poller(),
        measures=None,
        configurations=(),
        hidden=False,
    )


EVERY_DAY = [read(f"{month:02}-{day:02}") for month, last in ((1, 31), (2, 28), (3, 31)) for day in range(1, last + 1)]  # fmt: skip # noqa: E501
CALM = [loaded("01-01", "high"), listed("01-01"), accepted("01-01", Nameplate()), *EVERY_DAY]


class Seen(HTMLParser):
    """Tags and attributes as a browser takes them, and ids and links of the page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.handlers: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            if name.startswith("on") or name in ("src", "style"):
                self.handlers.append(name)
            if name == "id":
                self.ids.append(value or "")
            if name == "href":
                self.links.append(value or "")


def harmful() -> Report:
    told = [
        loaded("01-01", "none"),
        event("01-01", ev.RelayListed(bay=HARM, function=HARM, address=HARM), clock="00:00"),
        accepted("01-02", replace(NEW, swRev=HARM, serNum=HARM), HARM),
        entered("01-03", "01-03"),
        changed("02-01"),
        opened("02-01"),
        event("02-02", ev.EvaluationEntered(vendor=HARM, found=HARM), by=HARM),
    ]
    return report(told)


def test_no_text_of_a_device_becomes_markup() -> None:
    found = Seen(as_html(harmful()))
    assert (found.handlers, found.tags & {"img", "script", "iframe", "link"}) == ([], set())


def test_no_control_or_bidirectional_character_is_left() -> None:
    assert re.search("[\x00-\x09\x0b-\x1f\x7f\u202a-\u202e]", as_html(harmful())) is None


def test_nothing_is_fetched() -> None:
    page = as_html(harmful())
    assert "default-src 'none'" in page
    assert [one for one in Seen(page).links if not one.startswith("#")] == []


def test_every_link_leads_somewhere_and_every_place_is_one() -> None:
    found = Seen(as_html(report([*CALM, changed("02-01"), opened("02-01")])))
    assert {one[1:] for one in found.links} <= set(found.ids)
    assert len(found.ids) == len(set(found.ids))


@pytest.mark.parametrize("name", TABLES)
def test_no_cell_is_a_formula(name: str) -> None:
    """As spreadsheets take them: OWASP, CSV injection (from memory)."""
    rows = csv.reader(io.StringIO(as_csv(TABLES[name](harmful())).decode("utf-8-sig"), newline=""))
    assert [cell for row in rows for cell in row if cell[:1] in "=+-@\t\r\n" and cell] == []


@pytest.mark.parametrize("name", TABLES)
def test_every_row_has_a_cell_for_each_heading(name: str) -> None:
    head, *rows = TABLES[name](harmful())
    assert [row for row in rows if len(row) != len(head)] == []


def test_configurations_lead_out_of_no_folder() -> None:
    files = {"../../etc/passwd": "a", "site.yaml": "b", ".hidden": "c", "a\x1b/b c": "d"}
    body = ev.SiteLoaded(site="hollin", sha256="0", files=files)
    made = report([event("01-01", body)])
    one = Configuration(
        seq=1, at=at("01-01"), sha256="0", asset_class="none", files=tuple(files.items())
    )
    names = bundle(replace(made, configurations=(one,)))
    assert sorted(name for name in names if "/" in name) == [
        "configuration/1/01-_-..-etc-passwd",
        "configuration/1/02-site.yaml",
        "configuration/1/03-_hidden",
        "configuration/1/04-a_-b_c",
    ]


def test_the_same_report_gives_the_same_bytes() -> None:
    told = [*CALM, changed("02-01"), opened("02-01")]
    assert bundle(report(told)) == bundle(report(told))


def test_where_all_is_well_nothing_asks_for_an_answer() -> None:
    assert remarks(report([*CALM])) == ()


# what happened besides | what asks for an answer, the gravest first
ASKED: Final = {
    "open": (
        [changed("03-20"), opened("03-20")],
        [
            "change 94 (firmware changed): investigation i1 is OPEN",
            "not as it was accepted",
            "Before 1 change of firmware no check of the package was recorded",
        ],
    ),
    "late": (
        [changed("02-01"), accepted("03-29", NEW)],
        [
            "owed within 30 days (CIP-010-4, part 1.3): NOT KEPT",
            "Before 1 change of firmware no check of the package was recorded",
        ],
    ),
}


@pytest.mark.parametrize("case", ASKED)
def test_what_asks_for_an_answer(case: str) -> None:
    more, wanted = ASKED[case]
    told = [one.says for one in remarks(report([*CALM, *more]))]
    seq = re.compile(r"change \d+ \(")  # which event it is, depends on the story
    assert [
        seq.sub("change (", part) in seq.sub("change (", says)
        for part, says in zip(wanted, told, strict=True)
    ] == [True] * len(wanted), told


def test_a_line_that_was_not_told_is_not_called_wrong() -> None:
    lines = tuple(
        Line(name=name, expected="a", read=None, at=None, ok=ok)
        for name, ok in (("swRev", False), ("soak", None), ("test", None), ("hwRev", True))
    )
    body = ev.VerificationChecked(work="w1", lines=lines, holds=False, proven=False)
    made = report([*CALM, planned("02-01", "02-03"), event("02-04", body)])
    told = [one.says for one in remarks(made) if one.says.startswith("Work w1")]
    assert [one.partition(": ")[2] for one in told] == [
        "1 line not as expected, 2 lines not told."
    ], told


def test_a_broken_journal_stands_on_top() -> None:
    broken = replace(CHAIN, whole=False, says="BROKEN at event 5: its bytes were changed.")
    made = replace(report([*CALM, changed("03-20"), opened("03-20")]), chain=broken)
    assert remarks(made)[0].says.startswith("The journal is BROKEN at event 5")


# oldest event, newest event, pruned up to, kept for | covered | words of it
REACH = """
2025-12-01 2026-04-02 0   1095 | yes | The journal covers the span; has removed no event; 1,095
2026-02-01 2026-04-02 0   1095 | no  | does NOT cover all; has removed no event
2026-02-01 2026-04-02 900 365  | no  | does NOT cover all; 900 events, 1 to 900: also some of the span; less than three years
2025-12-01 2026-04-02 900 1095 | yes | covers the span; none of the span
2026-05-01 2026-06-01 0   1095 | no  | NOTHING of the span
2025-12-01 2026-03-01 0   1095 | yes | newest event is of 2026-03-01
"""  # noqa: E501


@pytest.mark.parametrize("row", REACH.strip().splitlines())
def test_how_far_the_journal_reaches(row: str) -> None:
    numbers, wanted, words = (part.strip() for part in row.split("|"))
    first, last, pruned, days = numbers.split()
    kept = Kept(
        first_seq=1,
        first_at=at(first[5:]).replace(year=int(first[:4])),
        last_at=at(last[5:]),
        pruned=int(pruned),
        keep_days=int(days),
    )
    told = " ".join(reach(kept, QUARTER))
    assert covered(kept, QUARTER) == (wanted == "yes")
    assert [word for word in words.split("; ") if word not in told] == [], told
