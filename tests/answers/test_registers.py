"""Registers as a simulated relay sent them, beside what was put in and where the map says so."""

from __future__ import annotations

from typing import Any

import pytest

from poller.answers.registers import RegisterLine, Registers, registers
from poller.judging.last_read import Block
from poller.reading.exchange import Refused
from poller.reading.frames import Request
from tests.judging.visits import LARCH, MAPS, SILENT, Visits, larch, raise_flags, utc, visits

TEXTS = {"maps/larch.yaml": (MAPS / "larch.yaml").read_text()}
NOW = utc(300)


def told(bench: Visits, texts: dict[str, str] = TEXTS) -> Registers:
    return registers(bench.last_read(), texts, NOW)


def lines(found: Registers) -> dict[str, RegisterLine]:
    return {line.field: line for block in found.blocks for line in block.lines}


def test_each_value_of_the_nameplate_is_what_was_put_in() -> None:
    found = lines(told(visits(larch()).settle()))
    for name, value in LARCH.items():
        field = name if "." in name else f"nameplate.{name}"
        line = found.get(field) or found[f"identity.{name}"]
        assert (line.value, line.read) == (value, True)


# source of the octets: ASCII; of the addresses and lines: config/maps/larch.yaml, by eye
@pytest.mark.parametrize(
    ("field", "where", "raw"),
    [
        ("identity.swRev", "holding 24 to 31", "352e 3120 5350 3200 0000 0000 0000 0000"),
        ("nameplate.paramRev", "holding 48", "0004"),
        ("status.setting_group", "holding 202", "0001"),
    ],
)
def test_raw_and_where(field: str, where: str, raw: str) -> None:
    line = lines(told(visits(larch()).settle()))[field]
    assert (line.where, line.raw) == (where, raw)


def test_the_line_of_the_map_stands_beside_it() -> None:
    line = lines(told(visits(larch()).settle()))["nameplate.serNum"]
    assert line.line is not None
    assert TEXTS["maps/larch.yaml"].split("\n")[line.line - 1].strip() == line.text
    assert line.text is not None
    assert line.text.startswith("serNum:")


def test_flags_are_named() -> None:
    relay = larch()
    bench = visits(relay).settle()
    raise_flags(relay, "storage_low")
    bench.visit()
    assert lines(told(bench))["status.flags.0"].value == "at one: storage_low"


def test_each_part_tells_how_old_it_is() -> None:
    bench = visits(larch())
    bench.visit()
    bench.visit()
    ages = {block.name: block.age_s for block in told(bench).blocks}
    assert set(ages) == {"identity", "nameplate", "status"}
    since_s = (NOW - utc(bench.now_s)).total_seconds()
    assert all(since_s - 1 < age <= since_s + 1 for age in ages.values())


def test_a_silent_relay_leaves_what_came_before() -> None:
    bench = visits(larch()).settle()
    before = told(bench)
    bench.fault = lambda _: SILENT
    bench.until(bench.now_s + 1_000)
    assert told(bench) == before


def test_a_field_that_was_refused_says_so() -> None:
    bench = visits(larch()).settle()

    def refuse(request: Request) -> Any:
        return Refused(code=2) if request.address == 200 and request.table == "holding" else None

    bench.fault = refuse
    bench.visit()
    found = told(bench)
    status = next(block for block in found.blocks if block.name == Block.STATUS)
    health = lines(found)["status.health"]
    assert status.trouble is not None
    assert (health.value, health.read, health.raw) == ("(not read)", False, "")


def test_a_map_without_a_file_has_no_lines() -> None:
    found = told(visits(larch()).settle(), {})
    assert found.file is None
    assert {line.line for line in lines(found).values()} == {None}


def test_nothing_is_told_before_anything_was_read() -> None:
    assert told(visits(larch())).blocks == ()


def test_another_map_forgets_what_was_read_under_the_one_before() -> None:
    bench = visits(larch()).settle()
    assert set(bench.last_read().blocks) == set(Block)
    bench.watch._use(None)
    assert set(bench.last_read().blocks) == {Block.IDENTITY}
