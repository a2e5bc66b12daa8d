"""The real simulator, the real poller and a real browser, each a process: what a person sees and
does on the page, end to end."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import ExitStack, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest
from playwright.async_api import Page, expect
from typer.testing import CliRunner

from poller.cli.app import app
from poller.journal import Journal
from poller.model.events import Event
from tests.e2e import processes as run
from tests.publishing.brokers import free_port
from tests.web.browsers import tab
from tests.web.house import PASSWORD

QUIET = run.CONFIG / "scenarios" / "quiet.yaml"
HOSTILE = "<b>5.2</b>"  # printable, as the simulator's own check wants it
pytestmark = pytest.mark.timeout(240)  # three processes start where others run too
ADMINISTRATOR, OPERATOR, VIEWER = "ada", "ute", "vik"


@dataclass
class Station:
    """Simulator and poller on loopback. Its page's address is the same after a restart."""

    folder: Path
    site: Path
    port: int
    held: ExitStack = field(default_factory=ExitStack)
    service: subprocess.Popen[str] = field(init=False)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        self.service = self.held.enter_context(run.poller(self.site))
        run.until(self._answers, "the page answers", 60)  # a loaded machine

    def stop(self) -> None:
        self.held.close()

    def _answers(self) -> bool:
        try:
            return httpx.get(f"{self.address}/health").status_code == 200
        except httpx.TransportError:
            return False

    async def tell(self, *words: str) -> None:
        """python -m simulator tell."""
        command = [sys.executable, "-m", "simulator", "tell", str(self.folder / "simulator.sock")]
        told = await asyncio.create_subprocess_exec(*command, *words, cwd=run.ROOT)
        assert await told.wait() == 0

    def journal(self, kind: str) -> list[Event]:
        with Journal.open(self.folder / "bayroll.journal") as journal:
            return [one.event for one in journal.history(kinds=[kind])]


def _add_first(station: Station) -> None:
    """At the machine, as README says."""
    password = station.folder / "password"
    password.write_text(PASSWORD)
    words = ["user", "add", ADMINISTRATOR, "--role", "security_administrator", "--who", "A. Quill"]
    words += ["--password-file", str(password), "--site", str(station.site)]
    beside = {"BAYROLL_RUNTIME_DIR": str(station.folder / "run")}
    done = CliRunner().invoke(app, words, env=beside)
    assert done.exit_code == 0, done.output


def _add_others(station: Station) -> None:
    """By the API."""
    with httpx.Client(base_url=f"{station.address}/api/v1", timeout=60) as client:
        told = {"user": ADMINISTRATOR, "password": PASSWORD}
        form = client.post("/session", json=told).raise_for_status().json()["form"]
        for user, role in ((OPERATOR, "operator"), (VIEWER, "viewer")):
            given = {"roles": [role], "password": PASSWORD}
            answer = client.put(f"/users/{user}", json=given, headers={"x-bayroll-form": form})
            answer.raise_for_status()


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Station]:
    folder = tmp_path_factory.mktemp("station")
    with run.simulator(QUIET, folder) as addresses:
        site = run.write_site(folder, addresses, None)
        made = Station(folder, site, free_port())
        change_site(made, page={"port": made.port}, journal={"file": "bayroll.journal"})
        _add_first(made)
        try:
            made.start()
            _add_others(made)
            yield made
        finally:
            made.stop()


def change_site(station: Station, **told: object) -> None:
    station.site.write_text(json.dumps(json.loads(station.site.read_text()) | told))


@asynccontextmanager
async def opened(station: Station, path: str, user: str) -> AsyncIterator[Page]:
    """Fails where the page was loaded again meanwhile."""
    async with tab(station.address, path, user) as page:
        await page.evaluate("window.stays = true")
        yield page
        assert await page.evaluate("window.stays")


async def test_a_change_in_the_simulator_appears_without_a_reload(station: Station) -> None:
    async with opened(station, "/relays", VIEWER) as page:
        row = page.locator("#relay-q01-main1")
        await expect(row).to_contain_text("TW1900001")
        await station.tell("set", "q01-main1", "swRev", "5.2")
        await station.tell("raise", "q01-main1", "firmware_changed")
        await expect(row).to_contain_text("5.2")
        await expect(row).to_contain_text("firmware changed")


async def test_by_keyboard_an_alarm_is_acknowledged_and_lands_in_the_journal(
    station: Station,
) -> None:
    await station.tell("raise", "q02-main1", "hardware_changed")
    async with opened(station, "/alarms", OPERATOR) as page:
        slip = page.locator("[id='alarm-q02-main1.flag.hardware_changed']")
        await expect(slip.locator(".state")).to_contain_text("Unacknowledged")
        await slip.get_by_label("Comment").focus()
        await page.keyboard.type("module swapped, report 12")
        await page.keyboard.press("Tab")
        await page.keyboard.press("Enter")
        await expect(slip.locator(".state")).to_contain_text("Acknowledged")
    [event] = [one for one in station.journal("alarm_moved") if one.by is not None]
    assert (event.subject, event.by) == ("q02-main1", "ute (page)")
    assert event.body.comment == "module swapped, report 12"  # type: ignore[attr-defined]


ASK = """
async () => {
  const told = await (await fetch("/api/v1/session")).json();
  const answer = await fetch("/api/v1/commands/alarm_ack", {
    method: "POST",
    headers: { "x-bayroll-form": told.form, "content-type": "application/json" },
    body: JSON.stringify({ alarm: "q03-main1.flag.hardware_changed", why: "x" }),
  });
  return answer.status;
}
"""


async def test_a_viewer_is_offered_nothing_and_refused_what_they_ask_for(station: Station) -> None:
    await station.tell("raise", "q03-main1", "hardware_changed")
    async with opened(station, "/alarms", VIEWER) as page:
        slip = page.locator("[id='alarm-q03-main1.flag.hardware_changed']")
        await expect(slip).to_be_visible()
        assert await page.locator("form").count() == 1  # to sign out
        assert await page.evaluate(ASK) == 403
        await expect(slip.locator(".state")).to_contain_text("Unacknowledged")
    [event] = station.journal("access_refused")
    assert (event.body.user, event.body.what) == (VIEWER, "alarm_ack")  # type: ignore[attr-defined]


async def test_a_hostile_name_is_text(station: Station) -> None:
    async with opened(station, "/relays", VIEWER) as page:
        await station.tell("set", "q04-main1", "orderCode", "<img src=x>")
        await station.tell("set", "q04-main1", "swRev", HOSTILE)
        row = page.locator("#relay-q04-main1")
        await expect(row).to_contain_text(HOSTILE)
        assert await row.locator("b, img").count() == 0


async def test_the_site_file_is_read_again_and_nobody_signs_in_anew(station: Station) -> None:
    async with opened(station, "/relays", OPERATOR) as page:
        change_site(station, name="Fellmoor, as read again")
        station.service.send_signal(signal.SIGHUP)
        run.until(lambda: len(station.journal("site_loaded")) == 2, "the site is read again")
        await station.tell("raise", "q05-main1", "settings_changed")
        await expect(page.locator("#relay-q05-main1")).to_contain_text("settings changed")
        await expect(page.locator("#lost")).to_be_hidden()
        await page.goto("/alarms")
        await expect(page.locator(".brand")).to_contain_text("as read again")
        await page.evaluate("window.stays = true")


async def test_after_a_restart_the_page_says_that_one_signs_in_again(station: Station) -> None:
    """Sessions live in memory alone."""
    async with opened(station, "/relays", OPERATOR) as page:
        station.stop()
        await expect(page.locator("#lost")).to_contain_text("No connection to Bayroll since")
        station.start()
        await expect(page.locator("#lost")).to_contain_text("You are not signed in any more")
