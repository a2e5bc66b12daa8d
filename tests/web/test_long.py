"""A page that stays open comes back by itself and does not grow; who is slow costs nothing."""

from __future__ import annotations

import asyncio
import socket
from contextlib import AsyncExitStack
from typing import Any

import pytest
from playwright.async_api import Page, expect

from poller.decide import About
from poller.judging.findings import Edges, Silent
from poller.model import limits
from poller.model.status import Quality, Status, StatusReading
from poller.site.settings import Page as Settings
from tests.publishing.brokers import HOST, free_port
from tests.web.browsers import opened, served, tab
from tests.web.house import House
from tests.web.test_server import serving, until

SILENT = Silent(last_answer_at=None, reason="no reply within 3 s")
LISTEN = b"GET /api/v1/changes HTTP/1.1\r\nHost: localhost\r\n\r\n"


async def test_a_server_that_comes_back_is_heard_again_without_a_reload(house: House) -> None:
    house.add("ute", "operator")
    port = free_port()
    async with AsyncExitStack() as first:
        address = await first.enter_async_context(served(house, port))
        async with tab(address, "/relays", "ute") as page:
            await page.evaluate("window.stays = true")
            await first.aclose()
            await expect(page.locator("#lost")).to_contain_text("No connection to Bayroll since")
            house.decide(About(relay="q03-main1", finding=SILENT))
            async with served(house, port):
                await expect(page.locator("#lost")).to_be_hidden()
                await expect(page.locator("#relay-q03-main1")).to_contain_text("no answer")
                assert await page.evaluate("window.stays")


# A day, in some seconds: what comes is what would, and the pauses between are cut short.

VIEWS = ("/relays", "/alarms", "/changes")
BEFORE = 220  # changes, so that every list is as long as it gets
# changes while somebody looks, the last a flag that went down; a page draws some three a second
WARM, MORE = 6, 30
READINGS = 20  # of every relay, between two changes
LOOKS = 5
NODES_MAX, HEAP_MAX = 100, 1_000_000  # more at the end than at the beginning; octets


def change(house: House, up: bool) -> None:
    """A flag and with it an alarm."""
    edges = Edges(
        flags={"firmware_changed": up}, health=None, last_old_at=house.now, first_new_at=house.now
    )
    house.decide(About(relay="q03-main1", finding=edges))


async def go_on(house: House, changes: int) -> None:
    for at in range(changes):
        change(house, at % 2 == 0)
        for _ in range(READINGS):
            house.pass_s(limits.PAGE_READ_S)
            good = StatusReading(status=Status(), quality=Quality.GOOD, at=house.now)
            house.live |= {relay.id: good for relay in house.site.file.relays}
            await asyncio.sleep(0.003)
    await asyncio.sleep(1)  # until the last of it is drawn


async def counts(page: Page) -> dict[str, float]:
    """The least of some looks, by the Chrome DevTools Protocol.

    A browser under load keeps what it last drew past one collection and lets it go at a later
    one; what a page holds on to is there in every look.
    """
    session = await page.context.new_cdp_session(page)
    await session.send("Performance.enable")
    least: dict[str, float] = {}
    for _ in range(LOOKS):
        await session.send("HeapProfiler.collectGarbage")
        told: dict[str, Any] = await session.send("Performance.getMetrics")
        for one in told["metrics"]:
            least[one["name"]] = min(one["value"], least.get(one["name"], one["value"]))
        await asyncio.sleep(0.1)
    await session.detach()
    return least


async def test_a_page_left_open_does_not_grow(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "PAGE_CALM_S", 0.02)
    monkeypatch.setattr(limits, "PAGE_READ_S", 0.005)
    async with opened(house, VIEWS[0]) as first:
        pages = [first, *[await first.context.new_page() for _ in VIEWS[1:]]]
        for page, path in zip(pages[1:], VIEWS[1:], strict=True):
            await page.goto(path)
        for at in range(BEFORE):
            change(house, at % 2 == 0)
        await go_on(house, WARM)
        before = [await counts(page) for page in pages]
        await go_on(house, MORE)
        after = [await counts(page) for page in pages]
        assert await pages[2].locator("#ledger > li").count() > 100  # it did draw them
    for path, one, other in zip(VIEWS, before, after, strict=True):
        assert other["Nodes"] - one["Nodes"] < NODES_MAX, path
        assert other["JSEventListeners"] == one["JSEventListeners"], path
        assert other["JSHeapUsedSize"] - one["JSHeapUsedSize"] < HEAP_MAX, path


# Who is slow.


async def test_who_takes_nothing_is_cut_off(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """A browser that hangs: its stream would be counted for ever."""
    monkeypatch.setattr(limits, "PAGE_SEND_S", 0.2)
    monkeypatch.setattr(limits, "PAGE_READ_S", 0.01)
    port = free_port()
    async with serving(house, Settings(port=port)):
        with socket.socket() as deaf:
            deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
            deaf.connect((HOST, port))
            deaf.sendall(LISTEN)
            await until(lambda: house.page.feed.streams == 1)
            house.live = dict.fromkeys(map(str, range(limits.RELAYS_MAX)), house.live["q01-main1"])

            def ended() -> bool:
                house.pass_s(1)
                for name, one in house.live.items():
                    house.live[name] = StatusReading(
                        status=one.status, quality=one.quality, at=house.now
                    )
                return house.page.feed.streams == 0

            await until(ended)
