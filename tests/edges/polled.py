"""The shipped substation behind connections in memory, in virtual time, and what it is asked."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any, Final

from poller.site.builtin import ANY
from poller.site.load import load_site
from poller.site.settings import Intervals, RelayEntry, Site, SiteFile
from simulator.acts import Act
from simulator.stage import load_stage
from tests.trials.memory_net import Net, Place
from tests.trials.memory_net import Site as NetSite

CONFIG: Final = Path(__file__).parents[2] / "config"
START: Final = datetime(2026, 3, 1, 0, 5, tzinfo=UTC)


class Steady(Random):
    """Each way takes equally long, so that visits keep their distance to the microsecond."""

    def uniform(self, a: float, b: float) -> float:
        return a


class LoopClock:
    def mono(self) -> float:
        return asyncio.get_running_loop().time()

    def utc(self) -> datetime:
        return START + timedelta(seconds=self.mono())


def read_text(path: str) -> str:
    return Path(path).read_text(encoding="utf-8")


def shipped(*names: str, intervals: Intervals | None = None, **changed: Any) -> Site:
    """names: of the relays that it lists, in order; none: all. changed: of each relay."""
    site = load_site(str(CONFIG / "site.yaml"), read_text)
    listed = [site.relay(name) for name in names] or list(site.file.relays)
    relays: tuple[RelayEntry, ...] = tuple(one.model_copy(update=changed) for one in listed)
    values = {name: getattr(site.file, name) for name in SiteFile.model_fields}
    values |= {"relays": relays, "intervals": intervals or site.file.intervals}
    maps = site.maps | {ANY.map: ANY}
    return replace(site, file=SiteFile.model_construct(**values), maps=maps)


@dataclass(slots=True)
class Polled:
    """connected: seconds of the loop at which a connection came about, by place."""

    site: Site
    random: Random = field(default_factory=lambda: Steady(1))
    clock: LoopClock = field(default_factory=LoopClock)
    connected: list[tuple[float, Place]] = field(default_factory=list)
    net: Net = field(init=False)

    def __post_init__(self) -> None:
        stage = load_stage(str(CONFIG / "scenarios" / "quiet.yaml"), read_text)
        listed = self.site.file
        places = {
            place: NetSite(
                units={listed.by_id[name].unit: name for name in names},
                slots=listed.by_id[names[0]].client_slots,
                gateway=listed.by_id[names[0]].behind_serial,
            )
            for place, names in listed.by_address.items()
        }
        self.net = Net(stage.bench(START), places, self.clock.utc, self.random)

    async def connect(self, factory: Any, host: str, port: int, **more: Any) -> Any:
        """As loop.create_connection."""
        both = await self.net.connect(factory, host, port, **more)
        self.connected.append((self.clock.mono(), (host, port)))
        return both

    def do(self, relay: str, act: Act) -> None:
        self.net.bench.do(relay, act, self.clock.utc())

    def asked(self, relay: str, since: float) -> list[float]:
        """When it was asked, in seconds of the loop."""
        entry = self.site.relay(relay)
        place = (entry.host, entry.port)
        return [
            one.at
            for one in self.net.asked
            if one.at >= since and one.place == place and one.unit == entry.unit
        ]
