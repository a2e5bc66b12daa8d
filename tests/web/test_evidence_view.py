"""Evidence on the page: for auditors alone, a span, and one file that comes of it."""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from poller.cli.evidence_apart import EvidenceApart
from poller.model.refusal import Refusal
from poller.model.users import Role
from poller.web.behind import Busy
from tests.cli.bench import AT, Bench
from tests.web.house import House, form_of

OTHERS = [role for role in Role if role is not Role.AUDITOR]
ASKED = {"from": "2026-02-01", "to": "2026-02-28"}


def making(house: House, answer: bytes | Refusal | Busy) -> list[tuple[datetime, datetime, bool]]:
    """What is asked of whoever makes bundles, from here on."""
    asked: list[tuple[datetime, datetime, bool]] = []

    async def make(first: datetime, last: datetime, hide_addresses: bool) -> bytes:
        asked.append((first, last, hide_addresses))
        if isinstance(answer, Exception):
            raise answer
        return answer

    house.page.behind = replace(house.page.behind, evidence=make)
    return asked


async def ask(house: House, told: dict[str, str], role: str = "auditor") -> httpx.Response:
    house.add("ute", role)
    async with house.browser("ute") as client:
        form = form_of((await client.get("/about")).text)
        return await client.post("/evidence/bundle", data={"form": form} | told)


async def test_an_auditor_gets_one_file(house: House) -> None:
    making(house, b"PK")
    answer = await ask(house, ASKED)
    assert (answer.status_code, answer.content) == (200, b"PK")
    name = "bayroll-evidence-fellmoor-2026-02-01-2026-02-28.zip"
    assert answer.headers["content-disposition"] == f'attachment; filename="{name}"'


async def test_both_days_are_in_the_span(house: House) -> None:
    asked = making(house, b"PK")
    await ask(house, ASKED | {"hide": "yes"})
    assert asked == [(datetime(2026, 2, 1, tzinfo=UTC), datetime(2026, 3, 1, tzinfo=UTC), True)]


async def test_of_today_what_was_so_far(house: House) -> None:
    asked = making(house, b"PK")
    await ask(house, {"from": "2026-02-01", "to": f"{AT:%Y-%m-%d}"})
    assert [(last, hidden) for _, last, hidden in asked] == [(house.now, False)]


@pytest.mark.parametrize("role", OTHERS)
async def test_it_is_for_auditors_alone(house: House, role: Role) -> None:
    asked = making(house, b"PK")
    answer = await ask(house, ASKED, role)
    async with house.browser("ute") as client:
        looked = await client.get("/evidence")
    assert (answer.status_code, looked.status_code, asked) == (403, 403, [])


async def test_nobody_who_is_not_signed_in(house: House) -> None:
    house.add("ute", "auditor")
    asked = making(house, b"PK")
    async with house.browser() as client:
        answer = await client.post("/evidence/bundle", data=ASKED)
    assert (answer.status_code, asked) == (401, [])


async def test_a_form_that_is_not_of_this_page(house: House) -> None:
    house.add("ute", "auditor")
    asked = making(house, b"PK")
    async with house.browser("ute") as client:
        answer = await client.post("/evidence/bundle", data=ASKED | {"form": "x"})
    assert (answer.status_code, asked) == (403, [])


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({"from": "2026-02-02", "to": "2026-02-01"}, "the last day is before the first"),
        ({"from": "", "to": "2026-02-01"}, "the day under from is none"),
        ({"from": "2026-02-01", "to": "31 March"}, "the day under to is none"),
        ({"from": "0001-01-01", "to": "2026-02-01"}, "nothing was recorded in the year 1"),
        ({"from": "2026-02-01", "to": "9999-12-31"}, "nothing was recorded in the year 9999"),
    ],
)
async def test_a_span_that_is_none_is_told(house: House, told: dict[str, str], says: str) -> None:
    making(house, b"PK")
    answer = await ask(house, told)
    assert (answer.status_code, says in answer.text) == (409, True)


async def test_why_there_is_none_is_told_and_escaped(house: House) -> None:
    making(house, Refusal("<b>no room</b>"))
    answer = await ask(house, ASKED)
    assert (answer.status_code, "&lt;b&gt;no room" in answer.text) == (409, True)


async def test_a_second_one_is_told_to_come_back(house: House) -> None:
    making(house, Busy())
    assert (await ask(house, ASKED)).status_code == 503


@pytest.mark.parametrize(("role", "there"), [("auditor", True), ("engineer", False)])
async def test_the_way_to_it_stands_where_it_may_be_gone(
    house: House, role: str, there: bool
) -> None:
    house.add("ute", role)
    async with house.browser("ute") as client:
        page = (await client.get("/about")).text
    assert ('href="/evidence"' in page) is there


async def test_how_far_the_journal_reaches(house: House) -> None:
    house.add("ute", "auditor")
    async with house.browser("ute") as client:
        page = (await client.get("/evidence")).text
    told = ("is of 2026-03-01", "has removed no event.", "kept for 1,095 days.")
    assert [says for says in told if says not in page] == []


# The process that makes them.

FEBRUARY = (datetime(2026, 2, 1, tzinfo=UTC), datetime(2026, 3, 2, tzinfo=UTC))


async def test_the_page_gives_what_the_command_line_writes(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "site")
    made = zipfile.ZipFile(io.BytesIO(await EvidenceApart(bench.journal).make(*FEBRUARY, True)))
    words = ("--from", "2026-02-01", "--to", "2026-03-02", "--zone", "UTC", "--hide-addresses")
    out = tmp_path / "out"
    bench.run("evidence", *words, "--out", str(out), "--file", str(bench.journal), site=False)
    written = {name: (out / name).read_bytes() for name in made.namelist()}
    assert {name: made.read(name) for name in made.namelist()} == written
    assert hashlib.sha256(made.read("report.html")).hexdigest() in made.read(
        "manifest.sha256"
    ).decode("ascii")


async def test_what_can_not_be_made_says_why(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match=r"gone\.journal"):
        await EvidenceApart(tmp_path / "gone.journal").make(*FEBRUARY, False)
