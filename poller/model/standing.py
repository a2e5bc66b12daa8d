"""What is known of the world: the values that the fold makes of events. Nothing here decides."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from poller.model.alarms import Alarm
from poller.model.canonical import Utc
from poller.model.due import Bulletin, Evaluation, Excepted, PackageCheck
from poller.model.events import Change, ChangeClass
from poller.model.nameplate import Nameplate, flat, from_flat
from poller.model.status import Behaviour, Health
from poller.model.users import User
from poller.model.work import AT_WORK, ENDED, Asset, Disposition, FirmwareStatus, Work, by_number


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    says: str
    since: Utc  # first reading in which it stood


@dataclass(frozen=True, slots=True, kw_only=True)
class Manual:
    """Values a person read at the front panel."""

    values: dict[str, str]
    read_at: Utc
    by: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    nameplate: Nameplate
    at: Utc
    by: str | None
    why: str
    reference: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Firmware:
    """One firmware against the approved list. since: when it came to be so."""

    status: FirmwareStatus
    version: str | None
    target: str | None
    rule: str | None
    since: Utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Investigation:
    """A change that nobody planned. disposition: None while open. work: entered afterwards."""

    id: str
    relay: str
    opened_at: Utc
    change: ChangeClass
    changes: tuple[Change, ...]
    disposition: Disposition | None = None
    why: str | None = None
    by: str | None = None
    closed_at: Utc | None = None
    work: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Relay:
    """A position. nameplate: the last believed one, None until first read."""

    bay: str
    function: str
    address: str
    listed: bool = True
    nameplate: Nameplate | None = None
    nameplate_since: Utc | None = None
    map: str | None = None
    misfit: Nameplate | None = None  # the identity for which no listed map fits
    baseline: Baseline | None = None
    manual: Manual | None = None
    flags: dict[str, Flag] = field(default_factory=dict)  # those that stand
    health: Health | None = None
    behaviour: Behaviour | None = None
    setting_group: int | None = None
    answering: bool | None = None  # None: not tried yet
    answering_since: Utc | None = None
    unreadable_since: Utc | None = None
    paused: bool = False
    seen_day: str | None = None
    findings: tuple[str, ...] = ()
    duplicates: tuple[str, ...] = ()  # other positions with this serial number
    firmware: dict[str, Firmware] = field(default_factory=dict)  # by swRev, components.NAME.swRev
    settings_changed_at: Utc | None = None  # the last change of its settings that was read


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Where plain protocols find alarms and values; what was given once stays so for ever.

    blocks: of an owner (a relay's id, a gateway's name, "" for the poller and the network), in the
    order in which it got them. places: of an entry of the catalogue, in every owner's blocks.
    """

    blocks: dict[str, tuple[int, ...]] = field(default_factory=dict)
    places: dict[str, int] = field(default_factory=dict)


class Relays(dict[str, Relay]):
    """Relays by name. away: those that don't answer, kept since it is asked of every event."""

    __slots__ = ("away",)

    def __init__(self, known: Mapping[str, Relay]) -> None:
        super().__init__(known)
        self.away = {*away(known)}

    def __setitem__(self, name: str, relay: Relay) -> None:
        super().__setitem__(name, relay)
        if relay.answering is False:
            self.away.add(name)
        else:
            self.away.discard(name)


def away(relays: Mapping[str, Relay]) -> Collection[str]:
    """Names of those that don't answer."""
    if isinstance(relays, Relays):
        return relays.away
    return [name for name, relay in relays.items() if relay.answering is False]


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """seq: the last event folded in."""

    seq: int = 0
    site: str | None = None
    site_sha256: str | None = None
    running: bool = False
    boot: str | None = None  # of the computer, when the poller started last
    clock_since: Utc | None = None  # by this clock, as it was set meanwhile, times are told
    relays: dict[str, Relay] = field(default_factory=dict)
    gaps: dict[str, int] = field(default_factory=dict)  # output to events skipped
    works: dict[str, Work] = field(default_factory=dict)  # by id; the oldest ended ones are dropped
    works_ever: int = 0  # the number in the last id that was given
    investigations: dict[str, Investigation] = field(default_factory=dict)
    investigations_ever: int = 0
    assets: dict[str, Asset] = field(default_factory=dict)  # by asset_key
    alarms: dict[str, Alarm] = field(default_factory=dict)  # by id; the oldest at rest are dropped
    points: Points = field(default_factory=Points)
    bulletins: dict[str, Bulletin] = field(default_factory=dict)  # by id
    bulletins_ever: int = 0
    evaluations: dict[str, Evaluation] = field(default_factory=dict)  # the last, by maker
    exceptions: dict[str, Excepted] = field(default_factory=dict)  # by id
    exceptions_ever: int = 0
    packages: dict[str, PackageCheck] = field(default_factory=dict)  # the last check, by SHA-256
    users: dict[str, User] = field(default_factory=dict)  # who may sign in, by name

    def rests(self, relay: str) -> bool:
        """It is not polled: a person paused it, or works on it."""
        return self.relays[relay].paused or any(
            work.state in AT_WORK for work in self.works_of(relay)
        )

    @property
    def has_open_work(self) -> bool:
        return any(work.state not in ENDED for work in self.works.values())

    def works_of(self, relay: str) -> tuple[Work, ...]:
        """Work on a relay that has not ended, in the order in which it was entered."""
        return tuple(
            self.works[name]
            for name in sorted(self.works, key=by_number)
            if self.works[name].plan.relay == relay and self.works[name].state not in ENDED
        )


def shown(relay: Relay) -> Nameplate | None:
    """The nameplate to show: what was read; where nothing was, what a person entered."""
    if relay.nameplate is not None or relay.manual is None:
        return relay.nameplate
    return from_flat(relay.manual.values)


def baseline_word(relay: Relay) -> str:
    """new: never accepted; accepted: as accepted; differs."""
    if relay.baseline is None:
        return "new"
    present = shown(relay)
    if present is None or flat(present) == flat(relay.baseline.nameplate):
        return "accepted"
    return "differs"
