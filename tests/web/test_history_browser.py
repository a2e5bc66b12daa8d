"""One relay and the ledger in a real browser: live, by keyboard, never under a reader's eyes."""

from __future__ import annotations

import itertools

from playwright.async_api import expect

from poller.decide import About
from poller.edges import commands
from poller.judging.findings import Answering, Silent
from poller.web.views.changes import A_PAGE
from tests.cli.bench import HOSTILE, believed
from tests.web.browsers import opened
from tests.web.house import House

HERE = "/relays/q01-main1"
SILENT = Silent(last_answer_at=None, reason="no reply within 3 s")
TOP = "(element) => element.getBoundingClientRect().top"


def silence(house: House, relay: str) -> None:
    house.decide(About(relay=relay, finding=SILENT))


# One relay.


async def test_what_moves_appears_and_what_somebody_writes_stays(house: House) -> None:
    house.add("ute", "engineer")
    async with opened(house, HERE, "ute") as page:
        await page.evaluate("window.stays = true")
        reason = page.locator("#investigation-i1").get_by_label("Reason")
        await reason.fill("half a sen")
        house.decide(About(relay="q01-main1", finding=believed(HOSTILE, minute=60)))
        await expect(page.locator("#nameplate")).to_contain_text(r"V1\x1b[2J\u202e<b>")
        await expect(page.locator("#history")).to_contain_text(r"V1\x1b[2J\u202e<b>")
        assert await page.locator("main b").count() == 0
        assert await reason.input_value() == "half a sen"
        assert await page.evaluate("window.stays")


async def test_the_baseline_is_accepted_there_and_the_difference_is_gone(house: House) -> None:
    house.add("ute", "engineer")
    async with opened(house, HERE, "ute") as page:
        await expect(page.locator("#nameplate")).to_contain_text("never accepted")
        await page.get_by_text("Accept what is read now").click()
        await page.locator("#accept").get_by_label("Why").fill("bench test passed")
        await page.keyboard.press("Enter")
        await expect(page.locator("#nameplate")).to_contain_text("by ute (page): bench test passed")
        await expect(page.locator("#accept output")).to_contain_text("stands in the journal")


async def test_the_picture_is_one_stop_and_arrows_lead_through_it(house: House) -> None:
    house.pass_s(60)
    async with opened(house, HERE) as page:
        stops = page.locator(".picture.wide .event[tabindex='0']")
        await expect(stops).to_have_count(1)
        await stops.focus()
        told = page.locator("#told")
        last = await told.inner_text()
        assert last == await stops.get_attribute("aria-label")
        await page.keyboard.press("ArrowUp")
        await expect(told).not_to_have_text(last)
        await expect(stops).to_have_count(1)
        await expect(page.locator(":focus")).to_have_attribute("tabindex", "0")
        await page.keyboard.press("Enter")
        await page.wait_for_url("**/changes?of=relay:q01-main1&before=*")


# The ledger.


async def test_new_events_come_in_at_the_top_of_those_that_are_asked_for(house: House) -> None:
    async with opened(house, "/changes?class=silence&class=unplanned") as page:
        rows = page.locator("#ledger .change")
        before = await rows.count()
        silence(house, "q03-main1")
        await expect(rows.first).to_contain_text("Q03 main 1: it does not answer")
        await expect(rows).to_have_count(before + 1)


async def test_many_at_once_come_in_without_a_gap(house: House) -> None:
    async with opened(house, "/changes") as page:
        before = house.state.seq
        for name, finding in itertools.product(house.site.file.by_id, (SILENT, Answering())):
            house.decide(About(relay=name, finding=finding))
        assert house.state.seq - before > A_PAGE
        await expect(page.locator(f"#e{house.state.seq}")).to_be_visible()
        found = await page.locator("#ledger .change").evaluate_all(
            "rows => rows.map((row) => Number(row.dataset.seq))"
        )
        assert found[: house.state.seq - before + 1] == list(range(house.state.seq, before - 1, -1))


async def test_what_somebody_reads_stays_where_it_is(house: House) -> None:
    for name in list(house.site.file.by_id)[:20]:
        silence(house, name)
    async with opened(house, "/changes") as page:
        row = page.locator(f"#e{house.state.seq - 20}")
        await row.locator("summary").click()
        await row.scroll_into_view_if_needed()
        before = await row.evaluate(TOP)
        silence(house, list(house.site.file.by_id)[21])
        await expect(page.locator("#above")).to_contain_text("newer above")
        assert abs(await row.evaluate(TOP) - before) < 2
        await page.locator("#above button").click()
        await expect(page.locator("#above")).to_be_hidden()
        await expect(page.locator("#ledger .change").first).to_be_in_viewport()


async def test_a_disposition_appears_at_the_change_that_it_is_of(house: House) -> None:
    async with opened(house, "/changes?class=unplanned") as page:
        row = page.locator("#ledger .change").first
        await expect(row).to_contain_text("nobody has said yet")
        args = {"investigation": "i1", "disposition": "mistake", "why": "wrong box"}
        house.decide(commands.command("disposition_give", args), by="ute")
        await expect(row).to_contain_text("a mistake, says ute: wrong box")
