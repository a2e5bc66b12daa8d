"""A watch driven by a simulated relay, without sockets: each request answered after a tenth of a
second of a clock that only the visits move."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from poller.judging.findings import Finding, Moment
from poller.judging.last_read import LastRead
from poller.judging.watch import Heard, Memory, Watch
from poller.model.nameplate import Nameplate, from_flat
from poller.model.status import StatusReading
from poller.reading.exchange import NoReply, Outcome, match
from poller.reading.frames import Request
from poller.reading.read_plan import compile_map
from poller.site.load import load_map
from poller.site.register_map import RegisterMap
from poller.site.settings import Pace
from simulator.image import Condition
from simulator.relay import Relay

MAPS = Path(__file__).parents[2] / "config" / "maps"
START = datetime(2026, 3, 1, 8, tzinfo=UTC)
REPLY_S = 0.1
PACE = Pace(
    status_s=60,
    nameplate_s=3_600,
    confirm_s=60,
    confirm_after_restart_s=300,
    reply_timeout_s=3,
    rest_ms=100,
    silent_misses=3,
    unreadable_s=1_800,
)
SILENT = NoReply(reason="no reply within 3 s")

LARCH = {
    "vendor": "Tarnwick Electric",
    "model": "LARCH-21",
    "orderCode": "L21-4C-2E-0",
    "swRev": "5.1 SP2",
    "serNum": "TW1900001",
    "hwRev": "C",
    "configRev": "2025-11.2",
    "paramRev": "4",
    "settingsId": "305419896",
    "location": "Fellmoor",
    "components.boot.swRev": "2.4",
    "components.communication.hwRev": "B",
    "components.communication.swRev": "1.12",
}
PIKE = {
    "vendor": "Sundholm Apparat",
    "model": "PK210",
    "orderCode": "PK-AB-12",
    "swRev": "2.07.013",
    "serNum": "71400001",
    "hwRev": "A",
    "configRev": "12",
    "settingsId": "2025-09-16T08:12:30.250Z",
    "components.boot.swRev": "1.4",
}


@cache
def shipped(name: str) -> RegisterMap:
    file = MAPS / f"{name}.yaml"
    return load_map(file.read_text(), str(file))


def plate(values: dict[str, str], **changed: str) -> Nameplate:
    """changed: attributes of the relay itself, swRev="5.2"."""
    return from_flat({**values, **changed})


def larch(**changed: str) -> Relay:
    return Relay(layout=shipped("larch"), nameplate=plate(LARCH, **changed), started=START)


def pike() -> Relay:
    return Relay(layout=shipped("pike"), nameplate=plate(PIKE), started=START)


@dataclass(slots=True)
class Visits:
    """fault: what comes instead of the relay's answer; None: its answer. set_s: by how much
    the wall clock was set.

    asked: (monotonic seconds, request); told: (monotonic seconds of the visit, finding).
    """

    relay: Relay
    watch: Watch
    fault: Callable[[Request], Outcome | None] = lambda _: None
    now_s: float = 0.0
    set_s: float = 0.0
    asked: list[tuple[float, Request]] = field(default_factory=list)
    told: list[tuple[float, Finding]] = field(default_factory=list)

    def visit(self) -> tuple[Finding, ...]:
        """The next visit, at the time when it is due."""
        started = self.now_s = max(self.now_s, self.watch.due)
        dialogue = self.watch.poll(self.moment())
        try:
            request = next(dialogue)
            while True:
                self.asked.append((self.now_s, request))
                outcome = self._answer(request)
                request = dialogue.send(Heard(outcome=outcome, at=self.moment()))
        except StopIteration as end:
            found: tuple[Finding, ...] = end.value
        self.told += [(started, finding) for finding in found]
        return found

    def until(self, mono: float) -> list[Finding]:
        """Every visit that is due by then; what they found."""
        found: list[Finding] = []
        while self.watch.due <= mono:
            found += self.visit()
        self.now_s = max(self.now_s, mono)
        return found

    def settle(self) -> Visits:
        """Past the first reading: everything is believed and nothing is left to tell."""
        self.until(200)
        self.asked, self.told = [], []
        return self

    def moment(self) -> Moment:
        return Moment(mono=self.now_s, utc=utc(self.now_s + self.set_s))

    def reading(self) -> StatusReading | None:
        return self.watch.reading(self.moment())

    def last_read(self) -> LastRead:
        return self.watch.last_read(self.moment())

    def _answer(self, request: Request) -> Outcome:
        fault = self.fault(request)
        self.now_s += PACE.reply_timeout_s if isinstance(fault, NoReply) else REPLY_S
        self.relay.advance(utc(self.now_s))
        return fault or match(request, self.relay.reply(request.pdu))


def utc(mono: float) -> datetime:
    """UTC at so many monotonic seconds, to the millisecond as records carry it."""
    at = START + timedelta(seconds=mono)
    return at.replace(microsecond=at.microsecond // 1000 * 1000)


def visits(relay: Relay, *maps: RegisterMap, memory: Memory | None = None) -> Visits:
    """maps: as the site lists them; none: the one that the relay presents."""
    watch = Watch(
        pace=PACE,
        maps=[compile_map(one) for one in maps or (relay.layout,)],
        memory=memory or Memory(),
        next_status=0.0,
        next_nameplate=0.0,
    )
    return Visits(relay=relay, watch=watch)


def change(relay: Relay, **changed: str) -> None:
    relay.present(nameplate=replace(relay.nameplate, **changed))  # type: ignore[arg-type]


def raise_flags(relay: Relay, *flags: str) -> None:
    relay.present(condition=Condition(flags=frozenset(flags)))
