"""The page in a real browser: what moves appears by itself, and what people do arrives."""

from __future__ import annotations

import pytest
from playwright.async_api import expect

from poller.decide import About
from poller.edges import commands
from poller.judging.findings import Silent
from poller.model.users import Role
from tests.cli.bench import HOSTILE, believed
from tests.web.browsers import barriers, opened
from tests.web.house import FOR_SOME, PATHS, House

SILENT = Silent(last_answer_at=None, reason="no reply within 3 s")


async def test_a_change_appears_without_a_reload(house: House) -> None:
    async with opened(house, "/relays") as page:
        row = page.locator("#relay-q03-main1")
        await expect(row).to_contain_text("not read")
        await page.evaluate("window.stays = true")
        house.decide(About(relay="q03-main1", finding=believed("5.1 SP2", serial="TW1900007")))
        await expect(row).to_contain_text("5.1 SP2")
        assert await page.evaluate("window.stays")


async def test_acknowledging_lands_in_the_journal_with_who_did_it(house: House) -> None:
    house.add("ute", "operator")
    async with opened(house, "/alarms", "ute") as page:
        slip = page.locator(".slip.asks").first
        name = (await slip.get_attribute("id") or "").removeprefix("alarm-")
        await slip.get_by_label("Comment").fill("crew called")
        await slip.get_by_role("button", name="Acknowledge").click()
        await expect(page.locator(f"[id='alarm-{name}'] .state")).to_contain_text("Acknowledged")
    [event] = [
        one
        for one in house.page.behind.journal.history(kinds=["alarm_moved"])
        if one.event.by is not None
    ]
    assert (event.event.by, event.event.body.comment) == ("ute (page)", "crew called")  # type: ignore[attr-defined]


async def test_shelving_takes_it_from_the_list_for_its_time(house: House) -> None:
    house.add("ute", "operator")
    async with opened(house, "/alarms", "ute") as page:
        slip = page.locator(".slip.asks").first
        await slip.get_by_text("Shelve").first.click()
        form = slip.locator("form[action='/do/alarm_shelve']")
        await form.get_by_label("For").select_option("30 min")
        await form.get_by_label("Reason").fill("crew at site")
        await form.get_by_role("button", name="Shelve").click()
        await expect(page.get_by_role("heading", name="Kept back")).to_be_visible()
    assert house.asked[0][1]["for_s"] == "1800"


async def test_a_viewer_is_offered_nothing_to_do(house: House) -> None:
    house.add("ute", "viewer")
    async with opened(house, "/alarms", "ute") as page:
        await expect(page.locator(".slip").first).to_be_visible()
        assert await page.get_by_role("button").all_inner_texts() == ["Sign out"]


async def test_what_is_refused_is_told_beside_what_was_asked(house: House) -> None:
    house.add("ute", "operator")
    async with opened(house, "/alarms", "ute") as page:
        slip = page.locator(".slip.asks").first
        await slip.get_by_label("Comment").fill(" ")
        await slip.get_by_role("button", name="Acknowledge").click()
        await expect(slip.get_by_role("alert").first).to_contain_text("needed")


async def test_a_hostile_name_is_text(house: House) -> None:
    async with opened(house, "/relays") as page:
        house.decide(About(relay="q03-main1", finding=believed(HOSTILE, serial="<img src=x>")))
        row = page.locator("#relay-q03-main1")
        await expect(row).to_contain_text(r"V1\x1b[2J\u202e<b>")
        await expect(row).to_contain_text("<img src=x>")
        assert await row.locator("b, img, script").count() == 0


async def test_finding_sifting_and_ordering_need_no_server(house: House) -> None:
    house.decide(About(relay="q03-main1", finding=SILENT))
    async with opened(house, "/relays") as page:
        shown = page.locator("#rows tr:visible")
        await page.get_by_label("Find").fill("busbar")
        await expect(page.locator("#told")).to_have_text("1 of 24 relays")
        assert await shown.count() == 1
        await page.get_by_label("Find").fill("")
        await page.get_by_label("Show").select_option("silent")
        await expect(page.locator("#told")).to_have_text("1 of 24 relays")
        await page.get_by_label("Show").select_option("")
        await page.get_by_role("button", name="Function").click()
        assert await shown.first.locator("td").first.inner_text() == (
            await page.locator("#rows tr:visible td:nth-child(2)").first.inner_text()
        )
        assert page.url.endswith("?by=function")


async def test_by_keyboard_alone_an_alarm_is_acknowledged(house: House) -> None:
    house.add("ute", "operator")
    async with opened(house, "/alarms", "ute") as page:
        await page.keyboard.press("Tab")
        await expect(page.locator(":focus")).to_have_text("To the content")
        await page.keyboard.press("Enter")
        comment = page.locator(".slip.asks").first.get_by_label("Comment")
        for _ in range(4):  # a link or two stand before the first alarm
            await page.keyboard.press("Tab")
            if await comment.evaluate("(one) => one === document.activeElement"):
                break
        await expect(comment).to_be_focused()
        await page.keyboard.type("seen")
        await page.keyboard.press("Enter")
        await expect(page.get_by_text("acknowledged by ute").first).to_be_visible()


async def test_who_is_removed_is_told_that_the_session_is_over(house: House) -> None:
    house.add("ute", "viewer")
    house.add("eve", "viewer")
    async with opened(house, "/relays", "ute") as page:
        house.decide(commands.command("user_remove", {"user": "ute"}))
        await expect(page.locator("#lost")).to_contain_text("You are not signed in any more")


async def test_what_somebody_writes_is_not_drawn_over(house: House) -> None:
    house.add("ute", "operator")
    async with opened(house, "/alarms", "ute") as page:
        comment = page.locator(".slip.asks").first.get_by_label("Comment")
        await comment.fill("half a sen")
        house.decide(About(relay="q02-main1", finding=believed("9.9", serial="TW1900004")))
        await expect(page.locator(".slip", has_text="Q02 main 1").first).to_be_visible()
        assert await comment.input_value() == "half a sen"


# Accessible to everybody. axe-core's rules for WCAG 2.2 A and AA, at both widths, in both schemes.


@pytest.mark.parametrize("path", [*PATHS, *FOR_SOME, "/sign-in"])
async def test_nothing_keeps_anybody_out(house: House, path: str) -> None:
    house.add("ute", *Role)
    async with opened(house, path, None if path == "/sign-in" else "ute") as page:
        assert await barriers(page) == []
