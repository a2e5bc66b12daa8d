"""What is to be told of the node and of each relay as they are: made anew only where it changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, TypeAlias

from poller.alarms.points import owner_of, owners
from poller.model.alarms import Alarm
from poller.model.standing import Relay, State
from poller.model.status import StatusReading
from poller.model.work import AT_WORK, Work
from poller.publishing.projections import Source
from poller.publishing.sparkplug import metrics as make
from poller.publishing.sparkplug.metrics import Group
from poller.site.settings import Site

Live: TypeAlias = Mapping[str, StatusReading]
Groups: TypeAlias = dict[str, Group]

NODE: Final = ""  # in place of a relay's id


@dataclass(slots=True)
class _Seen:
    """Of a relay, and the metrics that were made of it."""

    relay: Relay
    reading: StatusReading | None
    alarms: tuple[Alarm, ...]
    groups: Groups = field(default_factory=dict)


class Sight:
    """Bounded by the relays of the site, and by those that were listed once."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._owners = owners(site)
        self._entries = self._owners[site.file.relays[0].id]  # the same of every relay
        self._quiet = make.alarms(self._entries, ())  # of almost every relay
        self._seen: dict[str, _Seen] = {}
        self._read: dict[str, StatusReading] = {}  # the last of each; the end of polling keeps it
        # what was made of the state's own tables when they were last looked at
        self._alarms: Mapping[str, Alarm] | None = None
        self._by_owner: dict[str, tuple[Alarm, ...]] = {}
        self._works: Mapping[str, Work] | None = None
        self._worked_on: frozenset[str] = frozenset()

    def forget(self) -> None:
        """All is made anew, but for the last reading of each relay."""
        self._seen.clear()

    def lives(self, state: State, device: str) -> bool:
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

    def of_relay(self, state: State, live: Live, name: str) -> Groups:
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

    def of_node(self, state: State) -> Groups:
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
