"""What the world looks like: a fold over events, with no configuration, clock or file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any, Final, TypeVar

from poller import people
from poller.alarms import folds, points
from poller.alarms.folds import FOLDS as ALARMS
from poller.clock_set import started, told_anew
from poller.model import events as ev
from poller.model import limits
from poller.model.nameplate import Nameplate
from poller.model.standing import (
    Baseline,
    Firmware,
    Flag,
    Investigation,
    Manual,
    Relay,
    Relays,
    State,
)
from poller.model.work import ENDED, Asset, Note, Work, WorkState, asset_key, by_number
from poller.work import due_book

FOLD_VERSION: Final = 4  # another number: snapshots are not used, the journal is replayed
SETTINGS: Final = ("configRev", "paramRev", "settingsId")

Step = Callable[[Relay, Any, ev.Event], Relay]


def _first_read(relay: Relay, body: ev.NameplateFirstRead, event: ev.Event) -> Relay:
    return replace(
        relay, nameplate=body.nameplate, nameplate_since=body.first_new_at, unreadable_since=None
    )


def _changed(relay: Relay, body: ev.NameplateChanged, event: ev.Event) -> Relay:
    settings = any(change.attribute in SETTINGS for change in body.changes)
    return replace(
        relay,
        nameplate=body.nameplate,
        nameplate_since=body.first_new_at,
        unreadable_since=None,
        settings_changed_at=body.first_new_at if settings else relay.settings_changed_at,
    )


def _firmware(relay: Relay, body: ev.FirmwareStatusChanged, event: ev.Event) -> Relay:
    now = Firmware(
        status=body.after,
        version=body.version,
        target=body.target,
        rule=body.rule,
        since=event.at,
    )
    return replace(relay, firmware={**relay.firmware, body.attribute: now})


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


def _new(body: ev.RelayListed) -> Relay:
    """Before anything is told of it, it is listed."""
    return Relay(bay=body.bay, function=body.function, address=body.address)


STEPS: Final[dict[str, Step]] = {
    "relay_listed": lambda r, b, e: replace(
        r, listed=True, bay=b.bay, function=b.function, address=b.address
    ),
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
    "firmware_status_changed": _firmware,
}
"""Events about a relay that is listed: how each moves it."""


POLLER: Final[dict[str, Callable[[State, Any, ev.Event], State]]] = {
    "service_started": lambda s, b, e: replace(started(s, b.boot, e.at), running=True),
    "service_stopped": lambda s, b, e: replace(s, running=False),
    "clock_stepped": lambda s, b, e: told_anew(s, b.by_ms, e.at),
    "site_loaded": lambda s, b, e: replace(s, site=b.site, site_sha256=b.sha256),
    "output_gap": lambda s, b, e: replace(
        s,
        gaps={**s.gaps, b.output: s.gaps.get(b.output, 0) + b.last_seq - b.first_seq + 1},
    ),
    "pruned": lambda s, b, e: s,
    "session_changed": lambda s, b, e: s,
    "access_refused": lambda s, b, e: s,
}
"""Events about the poller itself."""


def _work_added(state: State, body: ev.WorkAdded, event: ev.Event) -> State:
    work = Work(
        id=body.work,
        plan=body.plan,
        state=WorkState.PLANNED,
        since=event.at,
        by=event.by,
        entered_at=event.at,
    )
    works = _bounded({**state.works, work.id: work}, lambda one: one.state in ENDED)
    return replace(state, works=works, works_ever=state.works_ever + 1)


def _overridden(work: Work, body: ev.RuleOverridden, event: ev.Event) -> Work:
    return replace(work, overridden=(*work.overridden, body.rule)[-limits.WORK_NOTES_MAX :])


def _work_moved(work: Work, body: ev.WorkMoved, event: ev.Event) -> Work:
    work = replace(work, state=body.after, since=event.at, why=body.why)
    match body.after:
        case WorkState.UNDER_WAY:
            work = replace(work, started_at=event.at, tries=work.tries + 1, ended_at=None)
            work = replace(work, reread_at=None, lines=(), held_since=None, proven=False)
            work = replace(work, came_out_at=None, notes_before=len(work.notes))
        case WorkState.WAITING_FOR_RELAY:
            work = replace(work, ended_at=event.at)
        case WorkState.CHECKING:
            work = replace(work, reread_at=event.at, came_out_at=None)
        case WorkState.WRONG_VERSION:
            work = replace(work, came_out_at=work.came_out_at or event.at)
            work = replace(work, reread_at=work.reread_at or event.at)
        case WorkState.VERIFIED | WorkState.NOT_DONE | WorkState.CLOSED:
            work = replace(work, came_out_at=work.came_out_at or event.at)
    return work


def _work_noted(work: Work, body: ev.WorkNoted, event: ev.Event) -> Work:
    note = Note(at=event.at, by=event.by, kind=body.note, text=body.text)
    return replace(work, notes=(*work.notes, note)[-limits.WORK_NOTES_MAX :])


def _checked(work: Work, body: ev.VerificationChecked, event: ev.Event) -> Work:
    held_since = (work.held_since or event.at) if body.holds else None
    return replace(work, lines=body.lines, held_since=held_since, proven=body.proven)


WORK: Final[dict[str, Callable[[Work, Any, ev.Event], Work]]] = {
    "rule_overridden": _overridden,
    "work_moved": _work_moved,
    "work_noted": _work_noted,
    "verification_checked": _checked,
}
"""Events about one piece of work: how each moves it. One that was dropped stays dropped."""


def _opened(state: State, body: ev.InvestigationOpened, event: ev.Event) -> State:
    opened = Investigation(
        id=body.investigation,
        relay=event.subject,
        opened_at=event.at,
        change=body.change,
        changes=body.changes,
    )
    found = _bounded(
        {**state.investigations, opened.id: opened}, lambda one: one.disposition is not None
    )
    return replace(state, investigations=found, investigations_ever=state.investigations_ever + 1)


def _investigated(state: State, name: str, **new: Any) -> State:
    known = state.investigations.get(name)
    if known is None:  # dropped: it was closed long ago
        return state
    return replace(state, investigations={**state.investigations, name: replace(known, **new)})


T = TypeVar("T")


def _bounded(found: dict[str, T], ended: Callable[[T], bool]) -> dict[str, T]:
    """Without the oldest of those that have ended, as far as there are too many."""
    over = max(0, len(found) - limits.BOOK_KEPT)
    gone = [name for name in sorted(found, key=by_number) if ended(found[name])][:over]
    return {name: one for name, one in found.items() if name not in gone}


def _shelved(state: State, body: ev.SpareShelved, event: ev.Event) -> State:
    key = asset_key(body.vendor, body.serNum)
    known = state.assets.get(key) or Asset(vendor=body.vendor, serNum=body.serNum)
    asset = replace(
        known,
        model=body.model or known.model,
        orderCode=body.orderCode or known.orderCode,
        swRev=body.swRev or known.swRev,
        tested_on=body.tested_on,
    )
    return _placed(state, key, asset, f"shelf: {body.shelf}", event)


def _placed(state: State, key: str, asset: Asset, place: str, event: ev.Event) -> State:
    if asset.place != place or not asset.places:
        places = (*asset.places, (event.at, place))[-limits.ASSET_PLACES_MAX :]
        asset = replace(asset, places=places)
    assets = {**state.assets, key: asset}
    if len(assets) > limits.ASSETS_MAX:
        del assets[min(assets, key=lambda name: (assets[name].places[-1][0], name))]
    return replace(state, assets=assets)


def _removed(state: State, body: ev.SpareRemoved, event: ev.Event) -> State:
    key = asset_key(body.vendor, body.serNum)
    known = state.assets.get(key)
    return state if known is None else _placed(state, key, known, "", event)


BOOK: Final[dict[str, Callable[[State, Any, ev.Event], State]]] = {
    "work_added": _work_added,
    "investigation_opened": _opened,
    "investigation_linked": lambda s, b, e: _investigated(s, b.investigation, work=b.work),
    "disposition_given": lambda s, b, e: _investigated(
        s,
        b.investigation,
        disposition=b.disposition,
        why=b.why,
        by=e.by,
        closed_at=e.at,
    ),
    "spare_shelved": _shelved,
    "spare_removed": _removed,
    "point_block_assigned": lambda s, b, e: replace(s, points=points.folded(s.points, b)),
    "point_places_assigned": lambda s, b, e: replace(s, points=points.folded(s.points, b)),
    "user_changed": lambda s, b, e: replace(s, users=people.folded(s.users, e)),
    **due_book.FOLDS,
}
"""Events that add to the book of work, investigations and boxes, to the points, or to people."""


def _box_moved(state: State, before: Nameplate | None, body: Any, event: ev.Event) -> State:
    """A serial number's history follows it: it is where its nameplate was read."""
    told: Nameplate = body.nameplate
    if before is not None and before.serNum is not None and before.serNum != told.serNum:
        gone = asset_key(before.vendor, before.serNum)
        if gone in state.assets and state.assets[gone].place == event.subject:
            state = _placed(state, gone, state.assets[gone], "", event)
    if told.serNum is None:
        return state
    key = asset_key(told.vendor, told.serNum)
    known = state.assets.get(key) or Asset(vendor=told.vendor or "", serNum=told.serNum)
    asset = replace(known, model=told.model, orderCode=told.orderCode, swRev=told.swRev)
    return _placed(state, key, asset, event.subject, event)


def fold(state: State, events: Iterable[tuple[int, ev.Event]]) -> State:
    """The state after these (seq, event), which follow on from state.seq.

    Relays and alarms are put in once a call and not once an event: give it batches.
    """
    relays, alarms, last = state.relays, state.alarms, state.seq
    ours = False  # relays are a copy
    for seq, event in events:
        body: Any = event.body
        kind, last = body.kind, seq
        if kind in STEPS:
            if not ours:
                relays, ours = Relays(relays), True
            known = relays.get(event.subject) or _new(body)
            relays[event.subject] = STEPS[kind](known, body, event)
            if isinstance(body, ev.NameplateFirstRead | ev.NameplateChanged):
                state = _box_moved(state, known.nameplate, body, event)
        elif kind in WORK:
            work = state.works.get(body.work)
            if work is not None:
                moved = WORK[kind](work, body, event)
                state = replace(state, works={**state.works, work.id: moved})
        elif kind in ALARMS:
            alarms = folds.folded(alarms, event)
        elif kind in BOOK:
            state = BOOK[kind](state, body, event)
        else:
            state = POLLER[kind](replace(state, relays=relays, alarms=alarms), body, event)
            relays, alarms, ours = state.relays, state.alarms, False
    return replace(state, relays=relays, alarms=alarms, seq=last)
