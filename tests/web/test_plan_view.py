"""The plan of outages on the page: as a picture and in words, and what is wrong with its file."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.web.house import House
from tests.web.planned_house import WINDOWS, with_outages
from tests.web.test_views import Reader, read


@pytest.fixture
def house(house: House, tmp_path: Path) -> House:
    return with_outages(house, tmp_path)


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
