"""The plan of outages in a browser."""

from __future__ import annotations

from pathlib import Path

from tests.web.browsers import barriers, opened
from tests.web.house import House
from tests.web.planned_house import with_outages


async def test_nothing_keeps_anybody_out(house: House, tmp_path: Path) -> None:
    async with opened(with_outages(house, tmp_path), "/plan", "ute") as page:
        assert await page.locator("svg").count() > 0
        assert await barriers(page) == []
