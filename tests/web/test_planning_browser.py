"""Work in a real browser, from what is due to the journal; the views of planning for everybody."""

from __future__ import annotations

from datetime import timedelta

import pytest
from playwright.async_api import expect

from poller.decide import About
from poller.judging.findings import Answering
from poller.model.status import Behaviour, Health, Quality, Status, StatusReading
from poller.model.users import Role
from poller.work.requests import Attend
from tests.web.browsers import barriers, opened
from tests.web.house import House
from tests.web.planned_house import TARGET, do, furnish, larch

UNFOLD = "for (const one of document.querySelectorAll('details')) one.open = true"


@pytest.fixture
def house(house: House) -> House:
    furnish(house)
    return house


def moves(house: House, work: str) -> list[tuple[str, str | None]]:
    """Of the journal: how the work moved, and who moved it."""
    told = house.page.behind.journal.history(kinds=["work_added", "work_moved"])
    return [
        (getattr(one.event.body, "after", "added"), one.event.by)
        for one in told
        if getattr(one.event.body, "work", None) == work
    ]


async def test_work_goes_from_what_is_due_to_the_journal(house: House) -> None:
    """By an engineer, from the first step of a way to the end, without a reload."""
    house.add("ute", Role.ENGINEER)
    async with opened(house, "/due", "ute") as page:
        await page.get_by_role("link", name="Plan the first step of Q04 main 1").click()
        await page.evaluate("window.stays = true")
        await page.get_by_label("From", exact=True).fill(f"{house.now:%Y-%m-%d %H:%M}")
        end = house.now + timedelta(hours=2)
        await page.get_by_label("To", exact=True).fill(f"{end:%Y-%m-%d %H:%M}")
        await page.get_by_label("To", exact=True).press("Enter")
        card = page.locator("#work-w5")
        await expect(card).to_contain_text(f"firmware {TARGET} afterwards")
        await expect(page.locator(".plan output")).to_contain_text("Planned.")
        await card.get_by_label("Why all the same").fill("outage given by phone")
        await card.get_by_role("button", name="Start").click()
        await expect(card.locator(".state")).to_contain_text("under way")
        await card.get_by_role("button", name="End").click()
        await expect(card.locator(".state")).to_contain_text("waiting for the relay")
        house.decide(About(relay="q04-main1", finding=larch(TARGET, 2)))
        await expect(card.locator(".state")).to_contain_text("checking")
        assert await page.evaluate("window.stays")
    # what was read moved it on, and no person
    assert moves(house, "w5")[:3] == [
        ("added", "ute (page)"),
        ("under_way", "ute (page)"),
        ("waiting_for_relay", "ute (page)"),
    ]
    assert moves(house, "w5")[3][1] is None


async def test_a_viewer_sees_work_and_is_offered_none(house: House) -> None:
    house.add("ute", Role.VIEWER)
    async with opened(house, "/work", "ute") as page:
        await expect(page.locator("#work-w1")).to_be_visible()
        assert await page.get_by_role("button").all_inner_texts() == ["Sign out"]
        answer = await page.request.post("/do/work_start", form={"work": "w1"})
        assert answer.status == 403
    assert [after for after, _ in moves(house, "w1")] == ["added"]


async def test_by_keyboard_alone_work_is_noted_and_the_place_is_kept(house: House) -> None:
    """The list is drawn anew by what was noted; who types goes on where they were."""
    house.add("ute", Role.ENGINEER)
    async with opened(house, "/work", "ute") as page:
        await page.locator("#more-w2 > summary").focus()
        await page.keyboard.press("Enter")
        await page.keyboard.press("Tab")
        await expect(page.locator(":focus")).to_have_attribute("name", "note")
        await page.keyboard.press("Tab")
        await page.keyboard.type("cover off")
        await page.keyboard.press("Enter")
        await expect(page.locator("#work-w2")).to_contain_text("cover off [ute (page)]")
        await expect(page.locator(":focus")).to_have_attribute("name", "text")
        await page.keyboard.press("Shift+Tab")
        await expect(page.locator(":focus")).to_have_attribute("name", "note")


async def test_a_version_that_changes_moves_number_and_picture(house: House) -> None:
    async with opened(house, "/versions") as page:
        larch_card = page.locator(".family").first
        await expect(larch_card).to_contain_text("0 of 6 run the target")
        house.decide(About(relay="q03-main1", finding=larch(TARGET, 1)))
        await expect(larch_card).to_contain_text("1 of 6 run the target")
        await expect(larch_card.locator("svg.stack .name").first).to_have_text(TARGET)


BROKEN = """
() => [...document.querySelectorAll('#lines-w1 td:not(:last-child)')].flatMap((cell) => {
  const text = cell.firstChild, range = document.createRange();
  return [...text.data.matchAll(/\\S+/g)].filter((word) => {
    range.setStart(text, word.index);
    range.setEnd(text, word.index + word[0].length);
    return range.getClientRects().length > 1;
  }).map((word) => word[0]);
})
"""  # words that go on in another line


async def test_no_value_that_was_read_is_broken_in_its_middle(house: House) -> None:
    """Serial numbers that differ in their second half would look alike."""
    house.add("ute", *Role)
    do(house, "work_start", work="w1", although="a test")
    do(house, "work_end", work="w1")
    house.decide(About(relay="q05-main1", finding=larch(TARGET, 3)))
    house.decide(About(relay="q05-main1", finding=Answering()))
    status = Status(
        health=Health.WARNING, behaviour=Behaviour.ON, flags=(("firmware_changed", True),)
    )
    good = StatusReading(status=status, quality=Quality.GOOD, at=house.now)
    house.live["q05-main1"] = good
    house.decide(Attend(readings={"q05-main1": good}))
    async with opened(house, "/work", "ute") as page:
        await page.evaluate(UNFOLD)
        await expect(page.locator("#lines-w1")).to_contain_text("firmware_changed")
        for width in (1280, 1024, 390, 360):
            await page.set_viewport_size({"width": width, "height": 900})
            assert (width, await page.evaluate(BROKEN)) == (width, [])
            assert await page.evaluate("document.documentElement.scrollWidth") == width


async def test_nothing_keeps_anybody_out(house: House) -> None:
    """With work in every state, and everything unfolded."""
    house.add("ute", *Role)
    do(house, "work_start", work="w1", although="a test")
    do(house, "work_end", work="w1")
    house.decide(About(relay="q05-main1", finding=larch("5.1 SP1", 3)))
    found: list[object] = []
    async with opened(house, "/work", "ute") as page:
        for path in ("/work", "/due", "/versions", "/work/w1/sheet"):
            await page.goto(path)
            await page.evaluate(UNFOLD)
            found += [(path, *one) for one in await barriers(page)]
    assert found == []
