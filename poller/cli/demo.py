"""bayroll demo: an invented substation, simulated, polled and told, on loopback only."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import sys
import tempfile
from collections import deque
from collections.abc import AsyncIterator, Sequence
from contextlib import AbstractContextManager, asynccontextmanager, nullcontext
from pathlib import Path
from typing import Annotated, Final

import typer
from rich.console import Group
from rich.live import Live
from rich.text import Text

from poller.answers.history import entry
from poller.answers.listing import rows
from poller.cli import common
from poller.cli.alarms_look import operators_list
from poller.cli.common import Exit
from poller.cli.demo_hands import Hands
from poller.cli.demo_page import DemoPage
from poller.cli.demo_scada import Scada, scada
from poller.cli.relays import relay_table
from poller.cli.run import loop_factory, serve, set_up_log
from poller.cli.shipped import config_folder
from poller.edges.clock import SystemClock
from poller.model.alarms import Audience
from poller.model.canonical import plain
from poller.model.events import (
    AlarmMoved,
    AlarmRated,
    FirmwareStatusChanged,
    Recorded,
    RelayAnswering,
)
from poller.model.standing import State
from poller.publishing.mqtt.embedded import embedded_broker
from poller.publishing.ports import OutputStatus
from poller.service import Service
from poller.site.shipped_alarms import shipped

# Short enough to watch; a real site asks far less often.
INTERVALS: Final = {
    "status_s": 2,
    "nameplate_s": 5,
    "confirm_s": 3,
    "confirm_after_restart_s": 4,
    "reply_timeout_s": 1,
    "rest_ms": 20,
    "silent_misses": 3,
    "unreadable_s": 60,
}
SOAK_S: Final = 15
DELAY_S: Final = 5  # of alarms, at most
# told as they happen; the rest is in the journal, and --json prints everything
QUIET: Final = frozenset(
    {
        "service_started",
        "site_loaded",
        "relay_listed",
        "relay_seen",
        "map_chosen",
        "nameplate_first_read",
        "health_changed",
        "behaviour_changed",
        "setting_group_changed",
        "timer_set",
        "user_changed",
    }
)
LINES: Final = 12  # sentences kept on the screen
REDRAW_S: Final = 0.5
SIMULATOR_START_S: Final = 20.0


def demo(
    for_s: Annotated[
        float | None, typer.Option("--for", metavar="SECONDS", help="Stop after so long.")
    ] = None,
    with_scada: Annotated[
        bool, typer.Option("--scada", help="Also tell alarms as SCADA hears them, on loopback.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Each event as one JSON line.")] = False,
) -> None:
    """Watch 24 simulated relays of an invented substation; three of them misbehave in a minute."""
    set_up_log(as_json=True)
    folder = Path(tempfile.mkdtemp(prefix="bayroll-demo-"))
    try:
        with common.told(), asyncio.Runner(loop_factory=loop_factory()) as runner:
            runner.run(_demo(folder, for_s, as_json, with_scada))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


async def _demo(folder: Path, for_s: float | None, as_json: bool, with_scada: bool) -> None:
    async with embedded_broker() as broker, _simulator(folder) as (addresses, control_path):
        lists = scada(broker) if with_scada else None
        page = DemoPage()
        site_file = _write_site(folder, addresses, broker, lists, page)
        site = common.load(site_file)
        teller = Teller(as_json=as_json)
        if not as_json:
            _say_how(site_file, broker, control_path, lists, page)
        stopping: list[asyncio.TimerHandle] = []

        def ready(service: Service) -> None:
            teller.service = service
            people.append(group.create_task(Hands(service).run()))
            journal = common.journal_of(site_file, site)
            people.append(group.create_task(page.let_in(service, journal)))
            if for_s is not None:
                stopping.append(asyncio.get_running_loop().call_later(for_s, service.stop))

        with teller.screen():
            async with asyncio.TaskGroup() as group:
                people: list[asyncio.Task[None]] = []
                await serve(site_file, site, also=[teller], ready=ready)
                for task in people:
                    task.cancel()


@asynccontextmanager
async def _simulator(folder: Path) -> AsyncIterator[tuple[dict[str, str], Path]]:
    """The simulator as a process of its own; yields where each relay listens."""
    control_path = folder / "simulator.sock"
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "simulator",
        str(config_folder() / "scenarios" / "demo.yaml"),
        "--free-ports",
        "--control",
        str(control_path),
        stdout=asyncio.subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is ours to handle; the simulator ends after the poller
    )
    assert process.stdout is not None
    try:
        async with asyncio.timeout(SIMULATOR_START_S):
            line = await process.stdout.readline()
        if not line:
            common.fail(Exit.UNREACHABLE, "the simulator did not start; its reason stands above")
        yield json.loads(line)["relays"], control_path
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


def _write_site(
    folder: Path,
    addresses: dict[str, str],
    broker: tuple[str, int],
    lists: Scada | None,
    page: DemoPage,
) -> Path:
    """The shipped site with the simulator's addresses, the demo's broker and short intervals."""
    shipped = config_folder() / "site.yaml"
    site = common.load(shipped).file.model_dump(mode="json", exclude_none=True)
    for relay in site["relays"]:
        place, unit = addresses[relay["id"]].rsplit("/", 1)
        relay["host"], relay["port"] = place.rsplit(":", 1)[0], int(place.rsplit(":", 1)[1])
        relay["unit"] = int(unit)
        relay.pop("intervals", None)
    site["intervals"] = dict(INTERVALS)
    site["broker"] = {"host": broker[0], "port": broker[1], "protocol": "3.1.1"}
    site["outputs"] = {"mqtt": {}, **(lists.outputs if lists else {})}
    site["maps_folder"] = str(config_folder() / site.get("maps_folder", "maps"))
    for named in ("approved", "advisories"):
        site[named] = str(config_folder() / site[named])
    site["work"] = {"soak_s": SOAK_S, "bays_at_once": 3}
    site["alarms"] = str(_write_alarms(folder))
    site["journal"] = {"file": str(folder / "bayroll.journal")}
    site["page"] = page.settings
    site_file = folder / "site.yaml"
    site_file.write_text(json.dumps(site, indent=1))  # JSON is YAML
    return site_file


def _write_alarms(folder: Path) -> Path:
    """The shipped catalogue, whose delays somebody who watches would not wait for."""
    catalogue = shipped().model_dump(mode="json", exclude_none=True)
    for kind in catalogue["entries"]:
        for delay in ("on_delay_s", "off_delay_s"):
            kind[delay] = min(kind[delay], DELAY_S)
    alarms_file = folder / "alarms.yaml"
    alarms_file.write_text(json.dumps(catalogue, indent=1))  # JSON is YAML
    return alarms_file


def _say_how(
    site_file: Path,
    broker: tuple[str, int],
    control_path: Path,
    lists: Scada | None,
    page: DemoPage,
) -> None:
    common.out.print(
        "An invented substation with 24 simulated relays, all on this machine.\n"
        "Within a minute one changes its firmware and raises a lifecycle alarm, which somebody\n"
        "acknowledges and somebody clears; another says that its support ends, one goes silent.\n"
        "From a second terminal:\n"
        f"  mosquitto_sub -h {broker[0]} -p {broker[1]} -t 'bayroll/v1/#' -v\n"
        f"  {_prefix()}bayroll list --site {site_file}\n"
        f"  {_prefix()}bayroll alarms --site {site_file}\n"
        f"  {_prefix()}python -m simulator tell {control_path} list"
    )
    for line in page.lines():
        common.out.print(line)
    if lists is not None:
        common.out.print("As SCADA hears the alarms:")
        for line in lists.lines(_prefix(), site_file):
            common.out.print(line)
    common.out.print("Ctrl-C ends it.\n")


def _prefix() -> str:
    """As the demo itself was started."""
    return "uv run " if "UV" in os.environ else ""


class Teller:
    """An output that tells each event to the person watching."""

    name = "demo"

    def __init__(self, *, as_json: bool) -> None:
        self.as_json = as_json
        self.service: Service | None = None
        self._live: Live | None = None
        self._state = State()
        self._said: deque[str] = deque(maxlen=LINES)

    async def run(self) -> None:
        """Redraws the list, since ages move by themselves."""
        while True:
            if self._live is not None:
                self._live.update(self._picture(), refresh=True)
            await asyncio.sleep(REDRAW_S)

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        self._state = state
        for recorded in events:
            self._tell(recorded, state)
        return events[-1].seq if events else state.seq

    def status(self) -> OutputStatus:
        return OutputStatus(connected=None, says="tells the person watching")

    def screen(self) -> AbstractContextManager[object]:
        """A live list on a terminal; plain sentences where the output is not one."""
        if self.as_json or not common.out.is_terminal:
            return nullcontext()
        self._live = Live(console=common.out, auto_refresh=False, vertical_overflow="crop")
        return self._live

    def _tell(self, recorded: Recorded, state: State) -> None:
        told = entry(recorded, state)
        if self.as_json:
            common.print_json(plain(told))
        elif _worth_telling(recorded):
            line = f"{told.at[11:19]}  {told.sentence}"
            self._said.append(line)
            if self._live is None:
                common.out.print(line)

    def _picture(self) -> Group:
        live = self.service.live() if self.service else {}
        now, width = SystemClock().utc(), common.out.width
        relays = relay_table(rows(self._state, live, now), width)
        alarms = operators_list(self._state, now, width)
        said = Text("\n".join(self._said), no_wrap=False, overflow="fold")
        return Group(relays, "", said) if alarms is None else Group(relays, "", alarms, "", said)


def _worth_telling(recorded: Recorded) -> bool:
    body = recorded.event.body
    if isinstance(body, RelayAnswering):
        return body.silent_since is not None  # not the first answer of each at the start
    if isinstance(body, FirmwareStatusChanged):
        return body.before is not None  # likewise
    if isinstance(body, AlarmMoved | AlarmRated):
        return Audience.OPERATOR_ALARM in body.audience  # notices are for another day
    return body.kind not in QUIET
