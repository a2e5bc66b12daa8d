"""What the world looks like: a fold over events, with no configuration, clock or file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Final

from poller.model import events as ev
from poller.model.canonical import Utc
from poller.model.nameplate import Nameplate, flat, from_flat
from poller.model.status import Behaviour, Health

FOLD_VERSION: Final = 1  # another number: snapshots are not used, the journal is replayed


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


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """seq: the last event folded in."""

    seq: int = 0
    site: str | None = None
    site_sha256: str | None = None
    running: bool = False
    relays: dict[str, Relay] = field(default_factory=dict)
    gaps: dict[str, int] = field(default_factory=dict)  # output to events skipped


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


Step = Callable[[Relay, Any, ev.Event], Relay]


def _first_read(relay: Relay, body: ev.NameplateFirstRead, event: ev.Event) -> Relay:
    return replace(
        relay, nameplate=body.nameplate, nameplate_since=body.first_new_at, unreadable_since=None
    )


def _changed(relay: Relay, body: ev.NameplateChanged, event: ev.Event) -> Relay:
    return replace(
        relay, nameplate=body.nameplate, nameplate_since=body.first_new_at, unreadable_since=None
    )


def _baseline(relay: Relay, body: ev.BaselineAccepted, event: ev.Event) -> Relay:
    accepted = Baseline(
        nameplate=body.nameplate,
        at=event.at,
        by=event.by,
        why=body.why,
        reference=body.reference,
    )
    return replace(relay, baseline=accepted)


def _rose(relay: Relay, body: ev.FlagRose, event: ev.Event) -> Relay:
    flag = Flag(says=body.says, since=body.first_new_at)
    return replace(relay, flags={**relay.flags, body.flag: flag})


def _fell(relay: Relay, body: ev.FlagFell, event: ev.Event) -> Relay:
    return replace(relay, flags={k: v for k, v in relay.flags.items() if k != body.flag})


STEPS: Final[dict[str, Step]] = {
    "relay_delisted": lambda r, b, e: replace(r, listed=False),
    "nameplate_first_read": _first_read,
    "nameplate_changed": _changed,
    "map_chosen": lambda r, b, e: replace(r, map=b.map, misfit=None),
    "no_valid_map": lambda r, b, e: replace(r, map=None, misfit=b.identity),
    "identity_unreadable": lambda r, b, e: replace(r, unreadable_since=b.since),
    "identity_readable": lambda r, b, e: replace(r, unreadable_since=None),
    "serial_duplicated": lambda r, b, e: replace(r, duplicates=b.others),
    "baseline_accepted": _baseline,
    "reading_entered": lambda r, b, e: replace(
        r, manual=Manual(values=b.values, read_at=b.read_at, by=e.by)
    ),
    "flag_rose": _rose,
    "flag_fell": _fell,
    "health_changed": lambda r, b, e: replace(r, health=b.after),
    "behaviour_changed": lambda r, b, e: replace(r, behaviour=b.after),
    "setting_group_changed": lambda r, b, e: replace(r, setting_group=b.after),
    "relay_silent": lambda r, b, e: replace(
        r, answering=False, answering_since=b.last_answer_at or e.at
    ),
    "relay_answering": lambda r, b, e: replace(r, answering=True, answering_since=e.at),
    "relay_seen": lambda r, b, e: replace(r, seen_day=b.day),
    "relay_paused": lambda r, b, e: replace(r, paused=True),
    "relay_resumed": lambda r, b, e: replace(r, paused=False),
    "relay_restarted": lambda r, b, e: r,
    "finding_noted": lambda r, b, e: replace(r, findings=(*r.findings, b.finding)),
}
"""Events about a relay that is listed: how each moves it."""

POLLER: Final[dict[str, Callable[[State, Any], State]]] = {
    "service_started": lambda s, b: replace(s, running=True),
    "service_stopped": lambda s, b: replace(s, running=False),
    "clock_stepped": lambda s, b: s,
    "site_loaded": lambda s, b: replace(s, site=b.site, site_sha256=b.sha256),
    "output_gap": lambda s, b: replace(
        s,
        gaps={**s.gaps, b.output: s.gaps.get(b.output, 0) + b.last_seq - b.first_seq + 1},
    ),
    "pruned": lambda s, b: s,
}
"""Events about the poller itself."""


def fold(state: State, events: Iterable[tuple[int, ev.Event]]) -> State:
    """The state after these (seq, event), which follow on from state.seq.

    The relays are copied once a call and not once an event: give it batches.
    """
    relays = dict(state.relays)
    state = replace(state, relays=relays)
    for seq, event in events:
        body = event.body
        if isinstance(body, ev.RelayListed):
            before = relays.get(event.subject)
            if before is None:
                before = Relay(bay=body.bay, function=body.function, address=body.address)
            relays[event.subject] = replace(
                before,
                listed=True,
                bay=body.bay,
                function=body.function,
                address=body.address,
            )
        elif body.kind in STEPS:
            relays[event.subject] = STEPS[body.kind](relays[event.subject], body, event)
        else:
            state = POLLER[body.kind](state, body)
        state = replace(state, seq=seq)
    return state
