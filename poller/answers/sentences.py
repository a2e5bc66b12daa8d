"""One plain sentence for each kind of event, for people. The position names the relay."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeAlias

from poller.answers import access_sentences, alarm_sentences, changes, due_sentences, work_sentences
from poller.answers.words import (
    BEHAVIOUR,
    HEALTH,
    count,
    moment,
    place,
    position,
    quoted,
    said,
    span,
    what,
)
from poller.answers.work_sentences import by, reference
from poller.model import events as ev
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.standing import State
from poller.model.text import shown
from poller.model.users import UserHappening
from poller.model.users import says as role_says


def sentence(event: ev.Event, state: State) -> str:
    """At most limits.SENTENCE_MAX characters, none that a terminal would act on.

    state: any that knows the relay, for its bay and function.
    """
    kind = event.body.kind
    if kind in POLLER:
        text = POLLER[kind](event.body)
    elif kind in ENTERED:
        text = ENTERED[kind](event.body, event)
    elif kind in ALARM:
        text = ALARM[kind](event.body, event)
        text = f"{_who(event, state)}: {text}" if event.subject else text[:1].upper() + text[1:]
    else:
        text = f"{_who(event, state)}: {RELAY[kind](event.body, event, state)}"
    return shown(text, limits.SENTENCE_MAX)


def _who(event: ev.Event, state: State) -> str:
    """A position that is being listed has the name it is listed under, not the one before."""
    if isinstance(event.body, ev.RelayListed):
        return place(event.body.bay, event.body.function)
    return position(event.subject, state)


Poller: TypeAlias = Callable[[Any], str]
Relay: TypeAlias = Callable[[Any, ev.Event, State], str]


def _began(body: ev.ServiceStarted) -> str:
    before = "; the run before it had no stop (killed, or no power)" if body.unstopped else ""
    return f"The poller started, version {quoted(body.version)}{before}."


def _stopped(body: ev.ServiceStopped) -> str:
    # "stopped" alone is the usual end; anything else is a reason
    why = "." if body.reason == "stopped" else f": {said(body.reason)}"
    return f"The poller stopped{why}"


def _clock(body: ev.ClockStepped) -> str:
    way = "forward" if body.by_ms >= 0 else "back"
    whole, thousandths = divmod(abs(body.by_ms), 1_000)
    return f"The clock of the poller's computer was put {way} by {whole:,}.{thousandths:03} s."


def _first_read(body: ev.NameplateFirstRead, event: ev.Event, state: State) -> str:
    return f"read for the first time, under map {quoted(body.map)}: {what(body.nameplate)}."


def _map(body: ev.MapChosen, event: ev.Event, state: State) -> str:
    before = "" if body.before is None else f", before under {quoted(body.before)}"
    return f"it is read under map {quoted(body.map)} now{before}."


def _no_map(body: ev.NoValidMap, event: ev.Event, state: State) -> str:
    return f"none of its maps fits {what(body.identity)}; nothing else is read from it."


def _unreadable(body: ev.IdentityUnreadable, event: ev.Event, state: State) -> str:
    since = moment(body.since)
    return f"it answers, but its nameplate can't be read since {since}: {said(body.reason)}"


def _duplicated(body: ev.SerialDuplicated, event: ev.Event, state: State) -> str:
    if not body.others:
        return "no other position tells its serial number any more."
    some = body.others[: limits.SENTENCE_CHANGES_MAX]
    names = [position(other, state) for other in some]
    if len(body.others) > len(some):
        names.append(f"{len(body.others) - len(some):,} more")
    number = "" if body.serNum is None else f" {quoted(body.serNum)}"
    return (
        f"its serial number{number} is also told by {', '.join(names)};"
        " one relay at two addresses, or a wrong entry."
    )


def _baseline(body: ev.BaselineAccepted, event: ev.Event, state: State) -> str:
    return (
        f"baseline accepted{by(event)}, {what(body.nameplate)}: {said(body.why)}"
        f"{reference(body.reference)}"
    )


def _entered(body: ev.ReadingEntered, event: ev.Event, state: State) -> str:
    names = sorted(body.values)
    some = names[: limits.SENTENCE_CHANGES_MAX]
    told = [f"{attribute(name)} {quoted(body.values[name])}" for name in some]
    if len(names) > len(some):
        told.append(count(len(names) - len(some), "more value", "more values"))
    return (
        f"read at the front panel on {moment(body.read_at)} and entered{by(event)}:"
        f" {', '.join(told) or 'no values'}.{reference(body.reference)}"
    )


def _rose(body: ev.FlagRose, event: ev.Event, state: State) -> str:
    rose = "rose" if body.last_old_at is not None else "stood when it was first read"
    return f"flag {quoted(body.flag)} {rose}. {said(body.says)}"


def _health(body: ev.HealthChanged, event: ev.Event, state: State) -> str:
    before = None if body.before is None else HEALTH[body.before]
    return f"health is {HEALTH[body.after]}{_was(before)}."


def _behaviour(body: ev.BehaviourChanged, event: ev.Event, state: State) -> str:
    before = None if body.before is None else BEHAVIOUR[body.before]
    return f"behaviour is {BEHAVIOUR[body.after]}{_was(before)}."


def _group(body: ev.SettingGroupChanged, event: ev.Event, state: State) -> str:
    before = None if body.before is None else str(body.before)
    return f"the active setting group is {body.after}{_was(before)}."


def _was(before: str | None) -> str:
    return "" if before is None else f"; it was {before}"


def _restarted(body: ev.RelayRestarted, event: ev.Event, state: State) -> str:
    return (
        f"it restarted; its uptime fell from {span(body.uptime_before_s)} to {span(body.uptime_s)}."
    )


def _silent(body: ev.RelaySilent, event: ev.Event, state: State) -> str:
    if body.last_answer_at is None:
        return f"it does not answer and never has: {said(body.reason)}"
    return f"it has not answered since {moment(body.last_answer_at)}: {said(body.reason)}"


def _answering(body: ev.RelayAnswering, event: ev.Event, state: State) -> str:
    if body.silent_since is None:
        return "it answers."
    return f"it answers again; it was silent since {moment(body.silent_since)}."


def _seen(body: ev.RelaySeen, event: ev.Event, state: State) -> str:
    reads = count(body.reads_before, "reading", "readings")
    return f"its nameplate was read on {quoted(body.day)}; {reads} since this was last noted."


def _paused(body: ev.RelayPaused, event: ev.Event, state: State) -> str:
    return f"polling was paused{by(event)}: {said(body.why)}"


def _gap(body: ev.OutputGap) -> str:
    events = count(body.last_seq - body.first_seq + 1, "event", "events")
    return (
        f"Output {quoted(body.output)} fell too far behind; {events}"
        f" ({body.first_seq} to {body.last_seq}) did not go to it."
    )


def _pruned(body: ev.Pruned) -> str:
    events = count(sum(body.counts.values()), "event", "events")
    return (
        f"The journal dropped {events} ({body.first_seq} to {body.last_seq})"
        " past the time they are kept."
    )


def _user(body: ev.UserChanged) -> str:
    roles = ", ".join(map(role_says, body.roles)) or "no role"
    how = {
        UserHappening.ADDED: f"was added as {roles}",
        UserHappening.ROLES_CHANGED: f"is {roles} now",
        UserHappening.PASSWORD_CHANGED: "has a new password",
        UserHappening.REMOVED: "was removed",
    }
    return f"User {quoted(body.user)} {how[body.happening]}."


POLLER: Final[dict[str, Poller]] = {
    "service_started": _began,
    "service_stopped": _stopped,
    "clock_stepped": _clock,
    "site_loaded": lambda b: (
        f"Site {quoted(b.site)} was loaded from {count(len(b.files), 'file', 'files')}."
    ),
    "output_gap": _gap,
    "pruned": _pruned,
    "user_changed": _user,
    "session_changed": access_sentences.session,
    "access_refused": access_sentences.refused,
    **work_sentences.ABOUT_THE_POLLER,
}
"""About the poller itself."""

RELAY: Final[dict[str, Relay]] = {
    "relay_listed": lambda b, e, s: f"listed at {quoted(b.address)}.",
    "relay_delisted": lambda b, e, s: "no longer listed, and not polled any more.",
    "nameplate_first_read": _first_read,
    "nameplate_changed": lambda b, e, s: changes.told(b),
    "map_chosen": _map,
    "no_valid_map": _no_map,
    "identity_unreadable": _unreadable,
    "identity_readable": lambda b, e, s: "its nameplate can be read again.",
    "serial_duplicated": _duplicated,
    "baseline_accepted": _baseline,
    "reading_entered": _entered,
    "flag_rose": _rose,
    "flag_fell": lambda b, e, s: f"flag {quoted(b.flag)} fell.",
    "health_changed": _health,
    "behaviour_changed": _behaviour,
    "setting_group_changed": _group,
    "relay_restarted": _restarted,
    "relay_silent": _silent,
    "relay_answering": _answering,
    "relay_seen": _seen,
    "relay_paused": _paused,
    "relay_resumed": lambda b, e, s: f"polling was resumed{by(e)}.",
    "finding_noted": lambda b, e, s: said(b.says),
    **work_sentences.ABOUT_RELAYS,
    **due_sentences.ABOUT_RELAYS,
}
"""About a relay; what follows its position and a colon."""

ENTERED: Final = due_sentences.ENTERED
"""What people enter that is about no single relay."""

ALARM: Final = alarm_sentences.ABOUT_ALARMS
"""About an alarm of a relay, which its position names, or of none."""
