"""What a Sparkplug session has told, and what is to be told next: no clock, no connection.

Each step is a dialogue: it yields a message and is sent whether that went out. What did not, since
it is longer than the broker takes, counts as not told; the next step comes to it again.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, TypeAlias

from poller.model.events import Recorded
from poller.model.standing import State
from poller.publishing.sparkplug import metrics as make
from poller.publishing.sparkplug.history import Past, past
from poller.publishing.sparkplug.metrics import Group, telling
from poller.publishing.sparkplug.payload import REBIRTH, DataType, Metric, Value
from poller.publishing.sparkplug.sight import NODE, Groups, Live, Sight
from poller.site.settings import Site

BD_SEQ: Final = "bdSeq"
JOURNAL_SEQ: Final = "Journal/seq"


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


class Node:
    """Bounded by the relays of the site, and by those that were listed once."""

    def __init__(self, site: Site, version: str) -> None:
        self._site = site
        self._version = version
        self._sight = Sight(site)
        self._told: dict[str, Groups] = {}  # of those that live in this session
        self._too_long: dict[str, Groups] = {}
        self._born_seq = 0

    def births(self, state: State, live: Live, *, bd_seq: int, reached: int) -> Dialogue:
        """The node, then each relay that answers. reached: the last event that was told."""
        self._told.clear()
        self._too_long.clear()
        self._sight.forget()
        self._born_seq = state.seq
        own = (
            Metric(name=BD_SEQ, type=DataType.INT64, value=bd_seq),
            make.whether(REBIRTH, False),
            journal_seq(reached),
            make.text("Poller/version", self._version),
            make.text("Poller/site", self._site.file.name),
        )
        groups = self._sight.of_node(state)
        if (yield Out(kind=Kind.BIRTH, device=NODE, metrics=own + _all(groups))):
            self._told[NODE] = groups
        for name in state.relays:
            if self._sight.lives(state, name):
                yield from self._bear(name, self._sight.of_relay(state, live, name))

    def bring_up(self, state: State, live: Live) -> Dialogue:
        """Deaths, births and what changed; of what did not change nothing."""
        yield from self._data(NODE, self._sight.of_node(state))
        for name in [one for one in self._told if not self._sight.lives(state, one)]:
            yield Out(kind=Kind.DEATH, device=name)
            del self._told[name]
        for name in state.relays:
            if not self._sight.lives(state, name):
                continue
            groups = self._sight.of_relay(state, live, name)
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
                yield from self._bear(device, self._sight.of_relay(state, live, device))
            known = _values(self._told.get(device, {}))
            metrics = [one for one in metrics if one.name in known]
            if metrics:
                yield Out(kind=Kind.DATA, device=device, metrics=tuple(metrics))

    def _told_and_now(
        self, seq: int, device: str, state: State, live: Live
    ) -> tuple[dict[str, Value], dict[str, Value]]:
        """By name, what was told and what will be live; nothing, of what was before the births."""
        if seq <= self._born_seq or not self._sight.lives(state, device):
            return {}, {}
        groups = self._sight.of_relay(state, live, device) if device else self._sight.of_node(state)
        return _values(self._told.get(device, {})), _values(groups)

    def _worth(self, seq: int, made: Past, state: State) -> bool:
        """One that is dead is not born for what was decided about it, nor for what its next birth
        tells; only for what it said while nobody listened."""
        if made.device in self._told or self._sight.lives(state, made.device):
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
