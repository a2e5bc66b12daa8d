"""A full picture of one relay. Text of devices stands in it as model.text.shown gives it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeAlias, TypeVar

from poller.answers import alarms, investigations, work
from poller.answers.alarms import AlarmRow, Part
from poller.answers.investigations import InvestigationRow
from poller.answers.listing import troubles
from poller.answers.words import BEHAVIOUR, HEALTH, age_s, count, moment, position, span
from poller.answers.work import WorkRow
from poller.answers.work_words import FIRMWARE
from poller.model.attribute_words import attribute
from poller.model.canonical import Utc, stamp
from poller.model.nameplate import ATTRIBUTES, Nameplate, flat
from poller.model.standing import Baseline, Manual, Relay, State, baseline_word
from poller.model.standing import shown as present
from poller.model.status import Quality, Status, StatusReading
from poller.model.text import shown
from poller.model.work import FirmwareStatus


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeLine:
    """One attribute as it is and as it was accepted. says: its name in words.

    name: as in model.nameplate.flat, components.boot.swRev. differs: there is a baseline, and it
    says otherwise.
    """

    name: str
    says: str
    present: str | None
    accepted: str | None
    differs: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagLine:
    """A flag that stands. since: the first reading in which it stood; age_s from there."""

    flag: str
    says: str
    since: Utc
    age_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusLine:
    """One value of the last status reading. says: value in words. value: None: not plausible."""

    name: str
    value: int | str | None
    says: str
    quality: Quality
    at: Utc
    age_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ManualLine:
    """What a person read at the front panel, attributes as in model.nameplate.flat."""

    values: dict[str, str]
    read_at: Utc
    age_s: int
    by: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineLine:
    """word: new, accepted, differs; the rest None while new."""

    word: str
    at: Utc | None = None
    by: str | None = None
    why: str | None = None
    reference: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareLine:
    """One firmware against the approved list. name: swRev, components.NAME.swRev. since: UTC."""

    name: str
    says: str
    status: FirmwareStatus
    status_says: str
    version: str | None
    target: str | None
    rule: str | None
    since: Utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """attributes: in the order of model.nameplate, components after. source: where they come from.

    source: read, manual, or None while nothing is known. address: host:port/unit. status: values
    that its map has, from the last reading; empty where no service runs. duplicates: positions with
    the same serial number, in words. work, investigations: those that are open. alarms: its own,
    annunciated or kept back.
    """

    id: str
    bay: str
    function: str
    address: str
    listed: bool
    paused: bool
    map: str | None
    source: str | None
    since: Utc | None
    attributes: tuple[AttributeLine, ...]
    baseline: BaselineLine
    flags: tuple[FlagLine, ...]
    status: tuple[StatusLine, ...]
    answering: bool | None
    answering_since: Utc | None
    unreadable_since: Utc | None
    seen_day: str | None
    troubles: tuple[str, ...]
    findings: tuple[str, ...]
    duplicates: tuple[str, ...]
    manual: ManualLine | None
    firmware: tuple[FirmwareLine, ...]
    work: tuple[WorkRow, ...]
    investigations: tuple[InvestigationRow, ...]
    alarms: tuple[AlarmRow, ...]

    @property
    def differences(self) -> tuple[AttributeLine, ...]:
        """Where the relay is not as it was accepted."""
        return tuple(line for line in self.attributes if line.differs)


def picture(state: State, name: str, reading: StatusReading | None, now: datetime) -> Picture:
    """Everything that is known of one relay, delisted ones too.

    reading: the last status reading, if a service has one. Raises KeyError for an id that was never
    listed.
    """
    relay = state.relays[name]
    nameplate = present(relay)
    source = "read" if relay.nameplate is not None else "manual" if nameplate is not None else None
    return Picture(
        id=name,
        bay=shown(relay.bay),
        function=shown(relay.function),
        address=shown(relay.address),
        listed=relay.listed,
        paused=relay.paused,
        map=relay.map,
        source=source,
        since=relay.nameplate_since,
        attributes=_attributes(nameplate, relay.baseline),
        baseline=_baseline(relay),
        flags=tuple(
            FlagLine(
                flag=flag,
                says=shown(one.says),
                since=one.since,
                age_s=age_s(one.since, now) or 0,
            )
            for flag, one in sorted(relay.flags.items())
        ),
        status=() if reading is None else _status(reading, now),
        answering=relay.answering,
        answering_since=relay.answering_since,
        unreadable_since=relay.unreadable_since,
        seen_day=relay.seen_day,
        troubles=troubles(relay),
        findings=relay.findings,
        duplicates=tuple(position(other, state) for other in relay.duplicates),
        manual=None if relay.manual is None else _manual(relay.manual, now),
        firmware=_firmware(relay),
        work=work.rows(state, now, relays=(name,)),
        investigations=investigations.rows(state, now, relay=name),
        alarms=alarms.rows(state, now, relays=(name,), parts=(Part.ANNUNCIATED, Part.KEPT_BACK)),
    )


def _firmware(relay: Relay) -> tuple[FirmwareLine, ...]:
    """The device's own first, then its components'."""
    return tuple(
        FirmwareLine(
            name=name,
            says=attribute(name),
            status=one.status,
            status_says=FIRMWARE[one.status],
            version=_shown(one.version),
            target=_shown(one.target),
            rule=one.rule,
            since=one.since,
        )
        for name, one in sorted(relay.firmware.items(), key=lambda one: (one[0] != "swRev", one[0]))
    )


def _attributes(
    nameplate: Nameplate | None, baseline: Baseline | None
) -> tuple[AttributeLine, ...]:
    now = flat(nameplate) if nameplate is not None else {}
    then = flat(baseline.nameplate) if baseline is not None else {}
    names = now.keys() | then.keys()
    parts = sorted(name for name in names if name not in ATTRIBUTES)
    return tuple(
        AttributeLine(
            name=name,
            says=attribute(name),
            present=_shown(now.get(name)),
            accepted=_shown(then.get(name)),
            # nothing is known of the relay now: then it doesn't differ either
            differs=None not in (nameplate, baseline) and now.get(name) != then.get(name),
        )
        for name in (*(own for own in ATTRIBUTES if own in names), *parts)
    )


def _shown(text: str | None) -> str | None:
    return None if text is None else shown(text)


def _baseline(relay: Relay) -> BaselineLine:
    accepted = relay.baseline
    if accepted is None:
        return BaselineLine(word=baseline_word(relay))
    return BaselineLine(
        word=baseline_word(relay),
        at=accepted.at,
        by=_shown(accepted.by),
        why=shown(accepted.why),
        reference=_shown(accepted.reference),
    )


def _manual(manual: Manual, now: datetime) -> ManualLine:
    return ManualLine(
        values={name: shown(text) for name, text in sorted(manual.values.items())},
        read_at=manual.read_at,
        age_s=age_s(manual.read_at, now) or 0,
        by=_shown(manual.by),
    )


T = TypeVar("T")
Told: TypeAlias = tuple[int | str, str] | None


def _told(value: T | None, tell: Callable[[T], tuple[int | str, str]]) -> Told:
    return None if value is None else tell(value)


VALUES: Final[dict[str, Callable[[Status], Told]]] = {
    "health": lambda s: _told(s.health, lambda h: (int(h), HEALTH[h])),
    "behaviour": lambda s: _told(s.behaviour, lambda b: (int(b), BEHAVIOUR[b])),
    "setting_group": lambda s: _told(s.setting_group, lambda n: (n, f"group {n}")),
    "free_memory_kb": lambda s: _told(s.free_memory_kb, lambda n: (n, f"{n:,} KB free")),
    "stored_records": lambda s: _told(
        s.stored_records, lambda n: (n, count(n, "record", "records"))
    ),
    "uptime_s": lambda s: _told(s.uptime_s, lambda n: (n, span(n))),
    "relay_time": lambda s: _told(s.relay_time, lambda at: (stamp(at), moment(at))),
}
"""Value and words for each part of a Status, flags aside; None: the map has none."""


def _status(reading: StatusReading, now: datetime) -> tuple[StatusLine, ...]:
    lines = []
    for name, value in VALUES.items():
        told = value(reading.status)
        if told is not None or name in reading.bad:
            lines.append(
                StatusLine(
                    name=name,
                    value=told[0] if told else None,
                    says=told[1] if told else "not plausible",
                    quality=reading.quality_of(name),
                    at=reading.at,
                    age_s=age_s(reading.at, now) or 0,
                )
            )
    return tuple(lines)
