"""A thousand relays stay smooth: a key or a click lays the page out as often as on a short roll."""

from __future__ import annotations

from dataclasses import replace

import pytest
from playwright.async_api import Page, expect

from poller.decide import SiteRead
from tests.web.browsers import opened
from tests.web.house import House

MANY = 1_000
# One for what was asked, one for what else moves on the page (an age, the scroll bar's room)
LAYOUTS = 3
FIND = """
(text) => {
  const find = document.querySelector("[name=text]");
  find.value = text;
  find.dispatchEvent(new Event("input", { bubbles: true }));
  document.body.offsetHeight;  // with its layout
}
"""
TURN = """
() => {
  document.querySelector("th[data-by=position] button").click();
  document.body.offsetHeight;
}
"""


async def layouts_of(page: Page, script: str, text: str = "") -> int:
    """How often the page was laid out for it, by the Chrome DevTools Protocol (Performance domain).

    A count and not a time: it is the same on a slow machine, and a script that asks for a size
    between two changes of the page, row by row, makes it a thousand.
    """
    session = await page.context.new_cdp_session(page)
    await session.send("Performance.enable")
    before = await session.send("Performance.getMetrics")
    await page.evaluate(script, text)
    after = await session.send("Performance.getMetrics")
    await session.detach()
    begun, ended = (
        next(one["value"] for one in told["metrics"] if one["name"] == "LayoutCount")
        for told in (before, after)
    )
    return int(ended - begun)


@pytest.fixture
def many(house: House) -> House:
    first = house.site.file.relays[0]
    relays = tuple(
        first.model_copy(
            update={"id": f"r{at}", "bay": f"Q{at // 10}", "function": f"main {at % 10}"}
        )
        for at in range(MANY)
    )
    file = house.site.file.model_copy(update={"relays": relays, "protection_groups": {}})
    house.site = replace(house.site, file=file, sha256="2" * 64)
    house.decide(SiteRead())
    return house


async def test_one_of_a_thousand_relays_is_found_at_once(many: House) -> None:
    async with opened(many, "/relays") as page:
        await expect(page.locator("#told")).to_have_text(f"{MANY} relays")
        assert await layouts_of(page, FIND, "Q77 main 3") <= LAYOUTS
        await expect(page.locator("#told")).to_have_text(f"1 of {MANY} relays")
        assert await layouts_of(page, FIND) <= LAYOUTS
        await expect(page.locator("#told")).to_have_text(f"{MANY} relays")


async def test_a_thousand_relays_are_ordered_at_once(many: House) -> None:
    async with opened(many, "/relays") as page:
        await expect(page.locator("#told")).to_have_text(f"{MANY} relays")
        assert await layouts_of(page, TURN) <= LAYOUTS
        await expect(page.locator("#rows tr").first).to_have_attribute("id", f"relay-r{MANY - 1}")
