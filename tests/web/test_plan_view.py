"""The plan of outages on the page: as a picture and in words, and what is wrong with its file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from poller.edges.outages_file import read_outages
from poller.model.users import Role
from tests.web.house import House
from tests.web.planned_house import furnish
from tests.web.test_views import Reader, read

WINDOWS = """\
format: 1
zone: Europe/London
windows:
  - {id: june, start: 2096-06-12 08:00, end: 2096-06-12 16:00, bays: [Q01, Q02, Q03, Q04, Q05],
     crew: {people: 2}}
pilot: {stop: [It tripped <b>oddly</b>.]}
"""


@pytest.fixture
def house(house: House, tmp_path: Path) -> House:
    furnish(house)
    house.add("ute", *Role)
    (tmp_path / "outages.yaml").write_text(WINDOWS, encoding="utf-8")
    house.page.behind = replace(
        house.page.behind, outages=lambda site: read_outages(tmp_path / "site.yaml", site)
    )
    return house


async def look(house: House) -> Reader:
    return await read(house, "/plan", "ute")


async def test_the_picture_and_the_table_tell_the_same(house: House) -> None:
    page = await look(house)
    assert "svg" in [tag for tag, _ in page.elements]
    assert "2096-06-12 08:00" in page.text
    assert "june" in page.text


async def test_nothing_of_it_is_inline_and_text_is_text(house: House) -> None:
    page = await look(house)
    assert not any(tag in ("b", "style") for tag, _ in page.elements)
    assert not any("style" in attrs or "fill" in attrs for _, attrs in page.elements)


async def test_every_reference_leads_to_something(house: House) -> None:
    page = await look(house)
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    named = [
        name for _, attrs in page.elements for name in (attrs.get("aria-labelledby") or "").split()
    ]
    assert set(named) <= set(ids)


async def test_what_is_wrong_with_the_file_is_told(house: House, tmp_path: Path) -> None:
    (tmp_path / "outages.yaml").write_text(WINDOWS.replace("Q01", "Q99"), encoding="utf-8")
    assert "Q99 is no bay of the site" in (await look(house)).text


async def test_that_there_is_no_file_is_told_with_the_mend(house: House, tmp_path: Path) -> None:
    (tmp_path / "outages.yaml").unlink()
    assert "copy config/outages.yaml" in (await look(house)).text
