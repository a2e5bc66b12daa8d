"""What a session tells and in which order: pure, without a broker."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from poller.model import events as ev
from poller.model.alarms import AlarmState, Inhibit
from poller.model.events import Recorded
from poller.model.standing import State
from poller.model.status import Behaviour, Health, Quality, StatusReading
from poller.model.work import FirmwareStatus, WorkState
from poller.publishing.sparkplug.history import JUDGED, READ, past
from poller.publishing.sparkplug.node import Dialogue, Node, Out
from poller.publishing.sparkplug.sight import NODE
from poller.state import fold
from tests.publishing.sparkplug.lives import answering, health, rose, silent
from tests.publishing.world import (
    Q07,
    Q08,
    T0,
    alarmed,
    changed,
    delisted,
    event,
    first_read,
    judged,
    listed,
    moved,
    planned,
    reading,
    site,
)


class Told:
    """A node with its state, and what it says. fits: what the broker takes."""

    def __init__(self, *events: ev.Event) -> None:
        self.state = State()
        self.live: dict[str, StatusReading] = {}
        self.node = Node(site(), "0")
        self.fits: Callable[[Out], bool] = lambda out: True
        self.recorded: list[Recorded] = []
        self.happens(*events)

    def happens(self, *events: ev.Event) -> list[Recorded]:
        first = self.state.seq + 1
        pairs = list(enumerate(events, start=first))
        self.state = fold(self.state, pairs)
        new = [Recorded(seq=n, id="", event=one, hash="", stored=b"") for n, one in pairs]
        self.recorded += new
        return new

    def births(self) -> list[Out]:
        return self._all(self.node.births(self.state, self.live, bd_seq=3, reached=0))

    def bring_up(self) -> list[Out]:
        return self._all(self.node.bring_up(self.state, self.live))

    def history(self, *events: Recorded) -> list[Out]:
        return self._all(self.node.history(events, events, self.state, self.live))

    def _all(self, dialogue: Dialogue) -> list[Out]:
        outs: list[Out] = []
        went: Any = None
        while True:
            try:
                outs.append(dialogue.send(went))
            except StopIteration:
                return outs
            went = self.fits(outs[-1])


def verbs(outs: list[Out]) -> list[str]:
    return [f"{out.verb} {out.device}".strip() for out in outs]


def values(out: Out) -> dict[str, Any]:
    return {one.name: one.value for one in out.metrics}


def changes(outs: list[Out]) -> list[tuple[str, str, Any]]:
    """(device, name, value) of historical metrics."""
    return [
        (out.device, one.name, one.value)
        for out in outs
        for one in out.metrics
        if one.historical and out.verb.endswith("DATA")
    ]


SWREV = "Nameplate/swRev"
LIVES = (listed(), answering(), first_read())


def paused(relay: str = Q07) -> ev.Event:
    return event(ev.RelayPaused(why="for a test"), relay)


def resumed() -> ev.Event:
    return event(ev.RelayResumed())


# Births and deaths.


def test_only_relays_that_answer_are_born() -> None:
    told = Told(*LIVES, listed(Q08))
    assert verbs(told.births()) == ["NBIRTH", f"DBIRTH {Q07}"]


DEATHS = {
    "silent": (silent(),),
    "delisted": (delisted(),),
    "paused": (paused(),),
    "worked on": (planned(), moved()),
}


@pytest.mark.parametrize("case", DEATHS)
def test_who_is_not_asked_or_does_not_answer_dies(case: str) -> None:
    told = Told(*LIVES)
    told.births()
    told.happens(*DEATHS[case])
    assert verbs(told.bring_up()) == [f"DDEATH {Q07}"]
    assert told.bring_up() == []


BACK = {
    "silent": (silent(), answering()),
    "delisted": (delisted(), listed()),
    "paused": (paused(), resumed()),
    "worked on": (planned(), moved(), moved(after=WorkState.CHECKING)),
}


@pytest.mark.parametrize("case", BACK)
def test_who_is_back_is_born_again(case: str) -> None:
    told = Told(*LIVES)
    told.births()
    for one in BACK[case][:-1]:
        told.happens(one)
    told.bring_up()
    told.happens(BACK[case][-1])
    assert verbs(told.bring_up()) == [f"DBIRTH {Q07}"]


def test_one_time_out_is_no_death() -> None:
    """Only the silence rule says that a relay is silent; its readings may just be missing."""
    told = Told(*LIVES)
    told.live[Q07] = reading()
    told.births()
    told.live[Q07] = reading(quality=Quality.STALE)
    assert verbs(told.bring_up()) == [f"DDATA {Q07}"]


def test_a_metric_that_is_new_is_born() -> None:
    told = Told(*LIVES)
    told.births()
    told.happens(rose())
    (birth,) = told.bring_up()
    assert birth.verb == "DBIRTH"
    assert values(birth)["Status/flag/firmware_changed"] is True


def test_alarms_of_no_relay_are_the_nodes() -> None:
    told = Told(*LIVES)
    told.births()
    many = alarmed(alarm="network.many_silent")
    behind = alarmed(alarm="gateway-127-1-0-1-502.gateway_silent")
    told.happens(*(replace(one, subject="") for one in (many, behind)))
    (data,) = told.bring_up()
    assert (data.verb, data.device) == ("NDATA", NODE)
    assert values(data)["Alarm/many_silent/active"] is True
    assert values(data)["Gateway/gateway-127-1-0-1-502/Alarm/gateway_silent/active"] is True


# Live data.


def test_nothing_new_says_nothing() -> None:
    told = Told(*LIVES)
    told.live[Q07] = reading(uptime_s=5)
    told.births()
    told.live[Q07] = reading(at_s=60, uptime_s=65)
    assert told.bring_up() == []


def test_only_what_changed_is_told() -> None:
    told = Told(*LIVES)
    told.live[Q07] = reading(setting_group=1)
    told.births()
    told.live[Q07] = reading(setting_group=2)
    (data,) = told.bring_up()
    assert values(data) == {"Status/setting_group": 2}


def test_the_end_of_polling_empties_nothing() -> None:
    """Where the service ends there are no live readings any more, a moment before the node dies."""
    told = Told(*LIVES)
    told.live[Q07] = reading(free_memory_kb=5)
    told.births()
    told.live.clear()
    assert told.bring_up() == []
    (_, birth) = told.births()
    assert values(birth)["Status/free_memory_kb"] == 5


def test_what_went_and_came_back_unseen_is_not_told_for_its_clock() -> None:
    told = Told(*LIVES, changed("1.5"))
    told.live[Q07] = reading(uptime_s=5, setting_group=1)
    told.births()
    told.live[Q07] = reading(uptime_s=6, setting_group=2)
    told.history(*told.happens(changed("2.0")))  # looks at it, and tells none of it
    told.live[Q07] = reading(uptime_s=7, setting_group=1)
    (data,) = told.bring_up()
    assert values(data) == {SWREV: "2.0"}


def test_a_value_that_turned_bad_is_told() -> None:
    told = Told(*LIVES)
    told.live[Q07] = reading(free_memory_kb=5)
    told.births()
    told.live[Q07] = replace(reading(), bad=("free_memory_kb",))
    (data,) = told.bring_up()
    assert values(data) == {"Status/free_memory_kb": None}


# History.

HISTORY: dict[str, tuple[ev.Event, dict[str, Any]]] = {
    "first read": (
        first_read(),
        {
            "Nameplate/vendor": "Tarn",
            "Nameplate/model": "TD-40",
            "Nameplate/serNum": "40117",
            "Nameplate/swRev": "1.0",
            "Nameplate/components/boot/swRev": "1.4",
        },
    ),
    "changed": (changed("2.0"), {SWREV: "2.0"}),
    "flag": (rose(), {"Status/flag/firmware_changed": True}),
    "flag fell": (
        event(ev.FlagFell(flag="firmware_changed", last_old_at=None, first_new_at=T0)),
        {"Status/flag/firmware_changed": False},
    ),
    "health": (health(Health.ALARM, 0), {"Status/health": 3}),
    "behaviour": (
        event(ev.BehaviourChanged(before=None, after=Behaviour.TEST)),
        {"Status/behaviour": 3},
    ),
    "setting group": (
        event(ev.SettingGroupChanged(before=1, after=2)),
        {"Status/setting_group": 2},
    ),
    "map": (event(ev.MapChosen(map="tarn", before=None)), {"Nameplate/map": "tarn"}),
    "silent": (silent(), {"Status/answering": False}),
    "answering": (answering(), {"Status/answering": True}),
    "paused": (paused(), {"Status/paused": True}),
    "resumed": (resumed(), {"Status/paused": False}),
    "firmware": (
        judged(FirmwareStatus.CURRENT),
        {
            "Firmware/swRev/version": "1.0",
            "Firmware/swRev/target": "2.0",
            "Firmware/swRev/status": "current",
            "Firmware/swRev/rule": "td-40",
        },
    ),
    "alarm came": (
        alarmed(),
        {
            "Alarm/silent/state": "B",
            "Alarm/silent/active": True,
            "Alarm/silent/says": "it does not answer",
        },
    ),
    "alarm came while it is kept back": (
        replace(alarmed(), body=replace(alarmed().body, annunciated=False)),  # type: ignore[type-var]
        {"Alarm/silent/active": True, "Alarm/silent/says": "it does not answer"},
    ),
    "alarm over": (
        alarmed(AlarmState.NORMAL),
        {"Alarm/silent/state": "A", "Alarm/silent/active": False, "Alarm/silent/says": None},
    ),
    "alarm shelved": (
        event(
            ev.AlarmInhibited(
                alarm=f"{Q07}.silent", entry="silent", inhibit=Inhibit.SHELVED, until=T0, why="x"
            )
        ),
        {"Alarm/silent/state": "E"},
    ),
}


@pytest.mark.parametrize("case", HISTORY)
def test_an_event_as_what_changed_then(case: str) -> None:
    happened, expected = HISTORY[case]
    made = past(happened)
    assert made is not None
    assert {one.name: one.value for one in made.metrics} == expected
    assert (made.device, {one.historical for one in made.metrics}) == (Q07, {True})
    assert {one.at for one in made.metrics} <= {T0, T0 + timedelta(seconds=60)}


def test_every_kind_that_changes_a_metric_is_tried() -> None:
    tried = {happened.body.kind for happened, _ in HISTORY.values()}
    assert tried == READ.keys() | JUDGED.keys()


def test_an_event_that_changes_no_metric_is_no_history() -> None:
    assert past(event(ev.RelaySeen(day="2026-03-01", reads_before=1))) is None


def test_what_was_missed_comes_after_the_births_as_historical() -> None:
    told = Told(*LIVES)
    missed = told.happens(health(Health.ALARM, 1), health(Health.OK, 2))
    told.births()
    outs = told.history(*missed)
    assert changes(outs) == [(Q07, "Status/health", 3), (Q07, "Status/health", 1)]
    assert told.bring_up() == []


def test_what_is_live_is_not_told_as_historical_too() -> None:
    told = Told(*LIVES)
    told.births()
    assert told.history(*told.happens(changed("2.0"))) == []
    (data,) = told.bring_up()[-1:]
    assert SWREV in values(data)


def test_what_a_birth_told_before_it_was_durable_is_not_told_again() -> None:
    """Readings are live before the journal has what follows from them."""
    told = Told(*LIVES)
    told.live[Q07] = reading()
    told.births()
    assert told.history(*told.happens(health(Health.OK, 1))) == []


def test_what_was_over_before_it_could_be_told_is_historical() -> None:
    told = Told(*LIVES, changed("1.5"))
    told.births()
    outs = told.history(*told.happens(changed("2.0"), changed("3.0")))
    assert changes(outs) == [(Q07, SWREV, "2.0")]
    (data,) = told.bring_up()
    assert values(data) == {SWREV: "3.0"}


def test_what_came_and_went_is_told_with_its_end() -> None:
    """A live metric stays as it was, so that both changes are told here."""
    told = Told(*LIVES, changed("1.5"))
    told.births()
    outs = told.history(*told.happens(changed("2.0"), changed("1.5")))
    assert changes(outs) == [(Q07, SWREV, "2.0"), (Q07, SWREV, "1.5")]
    assert told.bring_up() == []


def test_what_a_relay_said_before_it_died_is_told_before_its_death() -> None:
    told = Told(*LIVES, changed("1.5"))
    told.births()
    outs = told.history(*told.happens(changed("2.0"), silent()))
    assert changes(outs) == [(Q07, SWREV, "2.0"), (Q07, "Status/answering", False)]
    assert verbs(told.bring_up()) == [f"DDEATH {Q07}"]


def test_of_a_dead_relay_what_it_said_is_told_between_birth_and_death() -> None:
    told = Told(*LIVES)
    missed = told.happens(changed("2.0"), silent())
    told.births()
    outs = told.history(*missed)
    assert verbs(outs) == [f"DBIRTH {Q07}", f"DDATA {Q07}"]
    assert {one.quality for one in outs[0].metrics if one.name == SWREV} == {500}
    assert verbs(told.bring_up()) == [f"DDEATH {Q07}"]


@pytest.mark.parametrize("happened", [paused(), alarmed(), judged(FirmwareStatus.CURRENT)])
def test_nobody_is_born_for_what_was_decided_about_the_dead(happened: ev.Event) -> None:
    told = Told(*LIVES, silent())
    missed = told.happens(happened)
    told.births()
    assert told.history(*missed, *told.happens(resumed())) == []
    assert told.bring_up() == []


def test_a_metric_that_is_no_more_has_no_history() -> None:
    """Hosts know the metrics of the last birth."""
    told = Told(*LIVES)
    told.happens(changed("2.0"))  # its nameplate has no components any more
    told.births()
    names = {name for _, name, _ in changes(told.history(*told.recorded))}
    assert SWREV in names
    assert not any("components" in name for name in names)


# What is longer than the broker takes.


def test_a_birth_that_does_not_fit_is_left_out_until_it_is_another() -> None:
    told = Told(*LIVES)
    told.fits = lambda out: out.verb != "DBIRTH"
    assert verbs(told.births()) == ["NBIRTH", f"DBIRTH {Q07}"]
    assert told.bring_up() == []
    told.happens(changed("2.0"))
    told.fits = lambda out: True
    assert verbs(told.bring_up()) == [f"DBIRTH {Q07}"]


def test_of_who_was_not_born_nothing_is_told() -> None:
    told = Told(*LIVES)
    missed = told.happens(health(Health.ALARM, 1))
    told.fits = lambda out: out.verb != "DBIRTH"
    told.births()
    assert not any("DATA" in one for one in verbs(told.history(*missed)))
