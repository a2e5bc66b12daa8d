"""Plays the demo, opens its page in Debian's Chromium, and writes what README shows beside this
file. The story is the demo's own; only moments of the clock differ. Takes four minutes."""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any, Final

from playwright.sync_api import Browser, Error, Page, sync_playwright

HERE: Final = Path(__file__).parent
OCTETS_MAX: Final = 200_000  # of a picture, since all stand in the repository
WHO: Final = "enid"  # the demo's engineer
STORY_S: Final = 205.0  # work took, came up wrong, and left a warning standing
START_S, ALL_KNOWN_S = 120.0, 5.0
WIDE, NARROW = (1280, 660), (390, 780)


SILENT: Final = "#relay-q04-main1:has-text('no answer')"  # a flag is up too, some seconds longer


@dataclass(frozen=True, slots=True)
class Picture:
    name: str
    path: str
    size: tuple[int, int] = WIDE
    scheme: str = "light"
    after_s: float = STORY_S
    waits_for: str | None = None  # a selector of what the story brings
    follows: str | None = None  # the link of this name
    shows: str | None = None  # a selector of what stands at the top


PICTURES: Final = (
    Picture("relays", "/relays?only=look&by=flags", after_s=0, waits_for=SILENT),
    Picture("relays-narrow", "/relays?only=look&by=flags", NARROW, after_s=0, waits_for=SILENT),
    Picture("relay", "/relays/q02-main1", shows="#happened"),
    Picture("alarms", "/alarms", scheme="dark"),
    Picture("alarms-narrow", "/alarms", NARROW, "dark"),
    Picture("changes", "/changes", follows="at relays"),
    Picture("work", "/work"),
    Picture("versions", "/versions", (1280, 560)),
)


@contextmanager
def demo() -> Iterator[tuple[str, str]]:
    """The address of its page, and the password of WHO."""
    command = [sys.executable, "-m", "poller.cli.app", "demo", "--for", str(STORY_S + 120)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=HERE.parents[1]
    )
    try:
        assert process.stdout is not None
        said = ""
        for line in process.stdout:
            said += line
            password = re.search(rf"^ +{WHO} +(\S+) .*\n", said, re.MULTILINE)
            if password:
                break
        address = re.search(r"http://\S+:\d+/", said)
        assert address is not None, said
        assert password is not None, said
        yield address[0].rstrip("/"), password[1]
    finally:
        process.terminate()
        process.wait()


def sign_in(browser: Browser, address: str, password: str) -> Any:
    """The cookies. The demo prints its lines before its page is served and its people are known."""
    page = browser.new_page(base_url=address)
    end = time.monotonic() + START_S
    while not _somebody_is_known(page):
        assert time.monotonic() < end, f"nobody can sign in at {address}"
        time.sleep(0.5)
    time.sleep(ALL_KNOWN_S)
    page.goto("/sign-in")
    page.get_by_label("Name").fill(WHO)
    page.get_by_label("Password").fill(password)
    page.keyboard.press("Enter")
    page.wait_for_url(f"{address}/relays")
    return page.context.storage_state()


def _somebody_is_known(page: Page) -> bool:
    with suppress(Error):
        return page.request.get("/api/v1/relays").status == HTTPStatus.UNAUTHORIZED
    return False


def take(browser: Browser, address: str, password: str, folder: Path) -> None:
    begun = time.monotonic()
    signed_in = sign_in(browser, address, password)
    for picture in sorted(PICTURES, key=lambda one: one.after_s):
        time.sleep(max(0.0, begun + picture.after_s - time.monotonic()))
        width, height = picture.size
        context = browser.new_context(
            base_url=address,
            viewport={"width": width, "height": height},
            color_scheme="dark" if picture.scheme == "dark" else "light",
            reduced_motion="reduce",
            storage_state=signed_in,
        )
        page = context.new_page()
        page.goto(picture.path)
        assert page.locator("h1").is_visible(), picture.path
        if picture.follows is not None:
            page.get_by_role("link", name=picture.follows).click()
        if picture.waits_for is not None:
            page.locator(picture.waits_for).wait_for(timeout=1_000 * STORY_S)
        if picture.shows is not None:
            page.locator(picture.shows).evaluate("(one) => one.scrollIntoView()")
        page.wait_for_timeout(1_000)  # until what is drawn later stands
        octets = page.screenshot(path=folder / f"{picture.name}.png")
        print(f"{picture.name}.png: {len(octets):,} octets")
        assert len(octets) <= OCTETS_MAX, picture.name
        context.close()


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.pictures", description=__doc__)
    parser.add_argument("--into", type=Path, default=HERE, help="another folder than README's")
    given = parser.parse_args()
    chromium = shutil.which("chromium")
    if chromium is None:
        print("Debian's chromium is not on this machine\n    mend: apt-get install chromium")
        return 3
    with demo() as (address, password), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        try:
            take(browser, address, password, given.into)
        finally:
            browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
