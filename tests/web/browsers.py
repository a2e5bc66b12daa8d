"""Debian's Chromium on a page that is served on loopback; no browser is downloaded."""

from __future__ import annotations

import asyncio
import itertools
import json
import random
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final

import pytest
from playwright.async_api import Browser, ConsoleMessage, Page, Playwright, async_playwright, expect

from poller.site.settings import Page as Settings
from poller.web.server import Served
from tests.publishing.brokers import free_port
from tests.web.house import PASSWORD, House, app_of

CHROMIUM: Final = shutil.which("chromium")
AXE: Final = Path(__file__).parents[2] / ".ci/node_modules/axe-core/axe.min.js"
WIDTHS: Final = {1280: 900, 390: 844}
SOON_MS: Final = 20_000  # a loaded machine
expect.set_options(timeout=SOON_MS)  # a page's own default is not for it


class Chromium:
    """One for the session, in the loop that its tests share; each test has a context of its own."""

    _playwright: Playwright | None = None
    _browser: Browser | None = None

    @classmethod
    async def started(cls) -> Browser:
        if CHROMIUM is None:
            pytest.skip("Debian's chromium is not installed on this machine")
        if cls._browser is None:
            cls._playwright = await async_playwright().start()
            cls._browser = await cls._playwright.chromium.launch(
                executable_path=CHROMIUM,
                args=["--no-sandbox"],  # the tests of CI run as root, on pages of our own
            )
        return cls._browser

    @classmethod
    async def end(cls) -> None:
        if cls._browser is not None and cls._playwright is not None:
            await cls._browser.close()
            await cls._playwright.stop()
            cls._browser = cls._playwright = None


@asynccontextmanager
async def served(house: House, port: int | None = None) -> AsyncIterator[str]:
    """The address, without the slash at its end."""
    house.settings = Settings(port=port or free_port())
    server = Served(house.page, house.settings, house.folder, random.Random(1), app_of)
    task = asyncio.create_task(server.run())
    try:
        async with asyncio.timeout(SOON_MS / 1_000):
            while not server.listens:  # noqa: ASYNC110 - another task of this loop
                await asyncio.sleep(0.01)
        yield server.address.rstrip("/")
    finally:
        task.cancel()
        await asyncio.wait([task])


def _complains(said: ConsoleMessage) -> bool:
    """Of itself; that a server refused something is told there too."""
    return said.type == "error" and not said.text.startswith("Failed to load resource")


@asynccontextmanager
async def opened(
    house: House, path: str, user: str | None = None, *, width: int = 1280, **more: Any
) -> AsyncIterator[Page]:
    """A tab on the page of this house."""
    async with served(house) as address, tab(address, path, user, width=width, **more) as page:
        yield page


@asynccontextmanager
async def tab(
    address: str,
    path: str,
    user: str | None = None,
    password: str = PASSWORD,
    *,
    width: int = 1280,
    **more: Any,
) -> AsyncIterator[Page]:
    """At that path, signed in by the form; fails where a script or the policy complains."""
    complaints: list[str] = []
    browser = await Chromium.started()
    async with await browser.new_context(
        base_url=address, viewport={"width": width, "height": WIDTHS[width]}, **more
    ) as context:
        page = await context.new_page()
        page.set_default_timeout(SOON_MS)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: _complains(said) and complaints.append(said.text))
        await page.goto(path)
        if user is not None:
            await page.get_by_label("Name").fill(user)
            await page.get_by_label("Password").fill(password)
            await page.keyboard.press("Enter")
            await page.wait_for_url(address + path)
        yield page
        assert complaints == []


EVERY_RULE: Final = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
# what differs between light and dark
OF_COLOUR: Final = {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}
SCHEMES: Final[dict[Any, Any]] = {"light": EVERY_RULE, "dark": OF_COLOUR}


async def barriers(page: Page) -> list[tuple[object, ...]]:
    """What keeps somebody out: axe-core's rules for WCAG 2.2 A and AA, in both widths and schemes,
    and what is wider than the screen."""
    if not AXE.exists():
        pytest.skip("axe-core is not installed: npm install --prefix .ci axe-core@4")
    await page.evaluate(AXE.read_text())
    found: list[tuple[object, ...]] = []
    for (width, height), (scheme, rules) in itertools.product(WIDTHS.items(), SCHEMES.items()):
        await page.set_viewport_size({"width": width, "height": height})
        await page.emulate_media(color_scheme=scheme)
        how = {"runOnly": rules, "resultTypes": ["violations"]}
        told: dict[str, Any] = await page.evaluate(f"axe.run({json.dumps(how)})")
        assert told["passes"]  # it did look
        for one in told["violations"]:
            found.append((width, scheme, one["id"], [node["html"] for node in one["nodes"]]))
        if await page.evaluate("document.documentElement.scrollWidth") > width:
            found.append((width, scheme, "wider than the screen"))
    return found
