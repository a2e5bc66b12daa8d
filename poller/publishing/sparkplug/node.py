"""What a Sparkplug session has told, and what is to be told next: no clock, no connection.

Each step is a dialogue: it yields a message and is sent whether that went out. What did not, since
it is longer than the broker takes, counts as not told; the next step comes to it again.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, TypeAlias

from poller.alarms.points import owner_of, owners
from poller.model.alarms import Alarm
from poller.model.events import Recorded
from poller.model.standing import Relay, State
from poller.model.status import StatusReading
from poller.model.work import AT_WORK, Work
from poller.publishing.projections import Source
from poller.publishing.sparkplug import metrics as make
from poller.publishing.sparkplug.history import Past, past
from poller.publishing.sparkplug.metrics import Group, telling
from poller.publishing.sparkplug.payload import REBIRTH, DataType, Metric, Value
from poller.site.settings import Site

Live: TypeAlias = Mapping[str, StatusReading]
Groups: TypeAlias = dict[str, Group]

BD_SEQ: Final = "bdSeq"
JOURNAL_SEQ: Final = "Journal/seq"
NODE: Final = ""  # in place of a relay's id


class Kind(StrEnum):
    BIRTH = "BIRTH"
    DATA = "DATA"
    DEATH = "DEATH"


@dataclass(frozen=True, slots=True, kw_only=True)
class Out:
    """device: a relay's id, or NODE."""

    kind: Kind
    device: str
    metrics: tuple[Metric, ...] = ()

    @property
    def verb(self) -> str:
        return ("D" if self.device else "N") + self.kind


Dialogue: TypeAlias = Generator[Out, bool, None]


@dataclass(slots=True)
class _Seen:
    """Of a relay, and the metrics that were made of it."""

    relay: Relay
    reading: StatusReading | None
    alarms: tuple[Alarm, ...]
    groups: Groups = field(default_factory=dict)


class Node:
    """Bounded by the relays of the site, and by those that were listed once."""

    def __init__(self, site: Site, version: str) -> None:
        self._site = site
        self._version = version
        self._owners = owners(site)
        self._entries = self._owners[site.file.relays[0].id]  # the same of every relay
        self._quiet = make.alarms(self._entries, ())  # of almost every relay
        self._seen: dict[str, _Seen] = {}
        self._read: dict[str, StatusReading] = {}  # the last of each; the end of polling keeps it
        self._told: dict[str, Groups] = {}  # of those that live in this session
        self._too_long: dict[str, Groups] = {}
        self._born_seq = 0
        # what was made of the state's own tables when they were last looked at
        self._alarms: Mapping[str, Alarm] | None = None
        self._by_owner: dict[str, tuple[Alarm, ...]] = {}
        self._works: Mapping[str, Work] | None = None
        self._worked_on: frozenset[str] = frozenset()

    def births(self, state: State, live: Live, *, bd_seq: int, reached: int) -> Dialogue:
        """The node, then each relay that answers. reached: the last event that was told."""
        for last in (self._told, self._seen, self._too_long):
            last.clear()
        self._born_seq = state.seq
        own = (
            Metric(name=BD_SEQ, type=DataType.INT64, value=bd_seq),
            make.whether(REBIRTH, False),
            journal_seq(reached),
            make.text("Poller/version", self._version),
            make.text("Poller/site", self._site.file.name),
        )
        groups = self._of_node(state)
        if (yield Out(kind=Kind.BIRTH, device=NODE, metrics=own + _all(groups))):
            self._told[NODE] = groups
        for name in state.relays:
            if self._lives(state, name):
                yield from self._bear(name, self._of_relay(state, live, name))

    def bring_up(self, state: State, live: Live) -> Dialogue:
        """Deaths, births and what changed; of what did not change nothing."""
        yield from self._data(NODE, self._of_node(state))
        for name in [one for one in self._told if not self._lives(state, one)]:
            yield Out(kind=Kind.DEATH, device=name)
            del self._told[name]
        for name in state.relays:
            if not self._lives(state, name):
                continue
            groups = self._of_relay(state, live, name)
            if name in self._told and _same_names(self._told[name], groups):
                yield from self._data(name, groups)
            else:
                yield from self._bear(name, groups)

    def history(
        self, events: Sequence[Recorded], coming: Sequence[Recorded], state: State, live: Live
    ) -> Dialogue:
        """What events changed, but for what a birth or bring_up(state) tells as it is now.

        coming: these events and what follows up to state.
        """
        when: dict[tuple[str, str], list[int]] = {}
        for recorded in coming:
            if made := past(recorded.event):
                for one in made.metrics:
                    when.setdefault((made.device, one.name), []).append(recorded.seq)
        found: dict[str, list[Metric]] = {}
        for recorded in events:
            made = past(recorded.event)
            if made is None or not self._worth(recorded.seq, made, state):
                continue
            told, now = self._told_and_now(recorded.seq, made.device, state, live)
            for one in made.metrics:
                seqs = when[made.device, one.name]
                newest, moves = seqs[-1] == recorded.seq, told.get(one.name, ...) != one.value
                if newest and now.get(one.name, ...) == one.value and (moves or len(seqs) == 1):
                    continue  # a live metric says so, or said it before this was durable
                found.setdefault(made.device, []).append(one)
        for device, metrics in found.items():
            if device not in self._told:
                yield from self._bear(device, self._of_relay(state, live, device))
            known = _values(self._told.get(device, {}))
            metrics = [one for one in metrics if one.name in known]
            if metrics:
                yield Out(kind=Kind.DATA, device=device, metrics=tuple(metrics))

    def _told_and_now(
        self, seq: int, device: str, state: State, live: Live
    ) -> tuple[dict[str, Value], dict[str, Value]]:
        """By name, what was told and what will be live; nothing, of what was before the births."""
        if seq <= self._born_seq or not self._lives(state, device):
            return {}, {}
        groups = self._of_relay(state, live, device) if device else self._of_node(state)
        return _values(self._told.get(device, {})), _values(groups)

    def _worth(self, seq: int, made: Past, state: State) -> bool:
        """One that is dead is not born for what was decided about it, nor for what its next birth
        tells; only for what it said while nobody listened."""
        if made.device in self._told or self._lives(state, made.device):
            return True
        return made.device in state.relays and made.read and seq <= self._born_seq

    # Messages.

    def _bear(self, name: str, groups: Groups) -> Dialogue:
        if self._too_long.get(name) == groups:
            return
        self._told.pop(name, None)
        if (yield Out(kind=Kind.BIRTH, device=name, metrics=_all(groups))):
            self._told[name] = groups
        else:
            self._too_long[name] = groups

    def _data(self, device: str, groups: Groups) -> Dialogue:
        told = self._told.get(device)
        if told is None:
            return
        metrics = tuple(one for key, now in groups.items() for one in _changed(told[key], now))
        if not metrics or (yield Out(kind=Kind.DATA, device=device, metrics=metrics)):
            self._told[device] = groups

    # What is to be told.

    def _lives(self, state: State, device: str) -> bool:
        """It is listed, answers, and nobody works on it or paused it; the node always does."""
        relay = state.relays.get(device)
        if relay is None:
            return device == NODE
        asked = not relay.paused and device not in self._at_work(state)
        return relay.listed and relay.answering is True and asked

    def _at_work(self, state: State) -> frozenset[str]:
        if self._works is not state.works:
            self._works = state.works
            open_ = (work for work in state.works.values() if work.state in AT_WORK)
            self._worked_on = frozenset(work.plan.relay for work in open_)
        return self._worked_on

    def _of_relay(self, state: State, live: Live, name: str) -> Groups:
        """Made anew only of what is another than at the last look."""
        source = Source(site=self._site, seq=state.seq)
        relay, reading = state.relays[name], live.get(name, self._read.get(name))
        if reading is not None:
            self._read[name] = reading
        alarms = self._alarms_of(state, name)
        seen = self._seen.get(name)
        groups = dict(seen.groups) if seen else {}
        if seen is None or seen.relay is not relay:
            groups["nameplate"] = make.nameplate(source, name, relay)
            groups["firmware"] = make.firmware(source, name, relay)
        if seen is None or seen.relay is not relay or seen.reading is not reading:
            before = groups.get("status")
            groups["status"] = make.status(source, name, relay, reading, before)
        if seen is None or seen.alarms != alarms:
            groups["alarms"] = make.alarms(self._entries, alarms) if alarms else self._quiet
        self._seen[name] = _Seen(relay=relay, reading=reading, alarms=alarms, groups=groups)
        return groups

    def _of_node(self, state: State) -> Groups:
        """The station's alarms, and those of gateways."""
        return {
            owner: make.of_owner(owner, make.alarms(entries, self._alarms_of(state, owner)))
            for owner, entries in self._owners.items()
            if owner not in self._site.file.by_id
        }

    def _alarms_of(self, state: State, owner: str) -> tuple[Alarm, ...]:
        if self._alarms is not state.alarms:
            self._alarms = state.alarms
            found: dict[str, list[Alarm]] = {}
            for alarm in state.alarms.values():
                found.setdefault(owner_of(alarm), []).append(alarm)
            self._by_owner = {name: tuple(some) for name, some in found.items()}
        return self._by_owner.get(owner, ())


def journal_seq(seq: int) -> Metric:
    return Metric(name=JOURNAL_SEQ, type=DataType.INT64, value=seq)


def _all(groups: Groups) -> tuple[Metric, ...]:
    return tuple(one for group in groups.values() for one in group.metrics)


def _values(groups: Groups) -> dict[str, Value]:
    return {one.name: one.value for one in _all(groups)}


def _changed(told: Group, now: Group) -> Iterator[Metric]:
    if told.digest != now.digest:
        before = {one.name: telling(one) for one in told.metrics}
        yield from (one for one in now.metrics if before.get(one.name) != telling(one))


def _same_names(told: Groups, now: Groups) -> bool:
    return all(told[key] is now[key] or _names(told[key]) == _names(now[key]) for key in now)


def _names(group: Group) -> set[str]:
    return {one.name for one in group.metrics}
