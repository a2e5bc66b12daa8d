"""From alarms to the conditions that OPC UA clients see, and from relays to their variables.

Source of what a condition's states mean: OPC 10000-9, 5.5 to 5.8; of severities: OPC 10000-5,
6.4.2; of alarm states: tests/checks/alarm_states.csv. All of them from memory.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model.alarms import Ack, Alarm, AlarmState, Audience, Hold, Inhibits, Priority
from poller.model.canonical import adapter, plain
from poller.model.standing import Firmware, Flag, Manual, Relay
from poller.model.status import Quality
from poller.model.work import FirmwareStatus
from poller.publishing.opcua.conditions import Condition, condition_of, is_shown
from poller.publishing.opcua.relays import relay_view
from poller.publishing.opcua.settings import Severities
from tests.publishing.world import PLATE, T0

SEVERITIES = {Priority.HIGH: 834, Priority.MEDIUM: 500, Priority.LOW: 167}
HELD = Hold(since=T0, why="crew at the relay", by="J. Kral", until=T0 + timedelta(hours=4))
WORK = Hold(since=T0, why="w1")
ACK = Ack(by="J. Kral", at=T0, comment="line crew told")


def later(minutes: int) -> datetime:
    return T0 + timedelta(minutes=minutes)


def alarm(state: str = "B", **more: Any) -> Alarm:
    parts = {
        "id": "q07-main-1.silent",
        "entry": "silent",
        "subject": "q07-main-1",
        "audience": (Audience.OPERATOR_ALARM,),
        "since": T0,
        "says": "it does not answer",
        "occurrences": 1,
        **more,
    }
    return Alarm(state=AlarmState(state), **parts)


def told(one: Alarm, **more: Any) -> Condition:
    parts = {"severities": SEVERITIES, "source": one.subject, "source_name": "Q07 main 1", **more}
    return condition_of(one, **parts)


STATES = """
# state  active  acked  retain
  A      no      yes    no
  B      yes     no     yes
  C      yes     yes    yes
  D      no      no     yes
"""


@pytest.mark.parametrize("row", [line.split() for line in STATES.splitlines()[2:]])
def test_a_state_is_active_and_acknowledged_or_not(row: list[str]) -> None:
    state, *expected = row
    found = told(alarm(state))
    says = {True: "yes", False: "no"}
    assert [says[one] for one in (found.active, found.acked, found.retain)] == expected


PUT_AWAY = [
    # what stands, SuppressedState, OutOfServiceState, shelved
    (Inhibits(), (False, False, False)),
    (Inhibits(suppressed=WORK), (True, False, False)),
    (Inhibits(out_of_service=HELD), (False, True, False)),
    (Inhibits(shelved=HELD), (False, False, True)),
    (Inhibits(shelved=HELD, suppressed=WORK, out_of_service=HELD), (True, True, True)),
]


@pytest.mark.parametrize(("inhibits", "expected"), PUT_AWAY)
def test_what_keeps_an_alarm_back_is_told_each_by_itself(
    inhibits: Inhibits, expected: tuple[bool, bool, bool]
) -> None:
    found = told(alarm("A", inhibits=inhibits))
    assert (found.suppressed, found.out_of_service, found.shelved) == expected
    assert found.suppressed_or_shelved == any(expected)
    assert found.retain == any(expected), "who comes anew hears that it is put away"


def test_the_priority_is_a_severity_and_the_one_before_is_kept() -> None:
    first = told(alarm(priority=Priority.LOW))
    second = told(alarm(priority=Priority.HIGH), before=first)
    third = told(alarm("C", priority=Priority.HIGH), before=second)
    assert [one.severity for one in (first, second, third)] == [167, 834, 834]
    assert [one.last_severity for one in (first, second, third)] == [167, 167, 167]


def test_the_severities_that_ship_lie_in_the_thirds_of_1_to_1000() -> None:
    ships = Severities()
    assert 1 <= ships.low <= 333 < ships.medium <= 666 < ships.high <= 1_000


COMMENTS = [
    # acknowledged, put away, the comment, by whom
    (None, Inhibits(), "", None),
    (ACK, Inhibits(), "line crew told", "J. Kral"),
    (ACK, Inhibits(shelved=replace(HELD, since=later(1))), "crew at the relay", "J. Kral"),
    (replace(ACK, at=later(1)), Inhibits(shelved=HELD), "line crew told", "J. Kral"),
    (None, Inhibits(suppressed=WORK), "", None),  # nobody said that
]


@pytest.mark.parametrize(("ack", "inhibits", "comment", "by"), COMMENTS)
def test_the_comment_is_the_last_that_a_person_made(
    ack: Ack | None, inhibits: Inhibits, comment: str, by: str | None
) -> None:
    found = told(alarm(acked=ack, inhibits=inhibits))
    assert (found.comment, found.by) == (comment, by)


def test_one_that_was_put_away_before_it_was_there_says_why() -> None:
    found = told(alarm("A", occurrences=0, says="", inhibits=Inhibits(suppressed=WORK)))
    assert found.message == "suppressed by design: w1"


def test_its_name_tells_it_from_the_others_of_its_source() -> None:
    own = alarm(id="poller.output_away.mqtt", subject="")
    assert told(alarm()).name == "silent"
    assert told(own, source="").name == "poller.output_away.mqtt"


def test_texts_of_devices_can_do_nothing_to_a_screen() -> None:
    found = told(alarm(says="\x1b[2J\u202egone"), source_name="Q07\n")
    assert found.message == r"\x1b[2J\u202egone"
    assert found.source_name == r"Q07\x0a"


SHOWN = [
    (alarm(), True),
    (alarm("A"), True),  # it was there once
    (alarm("A", occurrences=0), False),  # only its delay ran
    (alarm("A", occurrences=0, inhibits=Inhibits(shelved=HELD)), True),
    (alarm(audience=(Audience.ENGINEERING_NOTICE,)), False),
    (alarm(audience=(Audience.SECURITY_EVENT, Audience.OPERATOR_ALARM)), True),
]


@pytest.mark.parametrize(("one", "expected"), SHOWN)
def test_only_what_is_for_the_operator_is_shown(one: Alarm, expected: bool) -> None:
    assert is_shown(one) == expected


# EventIds.


def test_what_a_client_does_not_see_is_no_news() -> None:
    first = told(alarm())
    again = alarm(on_until=later(5), recent=(T0,), chattering=True)
    assert told(again, before=first, at=later(5)) is first


NEWS = {
    "acknowledged": {"state": "C", "acked": ACK, "since": later(1)},
    "returned": {"state": "D", "since": later(1)},
    "another text": {"says": "it does not answer either"},
    "another priority": {"priority": Priority.HIGH},
    "latched": {"latched": True},
    "shelved": {"inhibits": Inhibits(shelved=HELD)},
}


@pytest.mark.parametrize("news", NEWS.values(), ids=NEWS)
def test_each_change_has_an_event_id_of_its_own(news: dict[str, Any]) -> None:
    first = told(alarm())
    assert told(alarm(**news), before=first, at=later(1)).event_id != first.event_id


def test_the_same_alarm_has_the_same_event_id_after_a_restart() -> None:
    moves = [("B", 0), ("D", 1), ("B", 2)]
    before = None
    for state, minutes in moves:
        now = alarm(state, since=later(minutes))
        before = told(now, before=before, at=later(minutes))
    assert before is not None
    assert told(now).event_id == before.event_id


EPISODES = [
    # state, when it came to it, whether an acknowledgement of what was told before counts
    ("B", 0, False),
    ("D", 1, True),  # returned before anybody acknowledged it
    ("B", 2, False),  # and came anew
    ("C", 3, False),
    ("B", 4, False),
]


def test_an_acknowledgement_is_of_what_was_told_since_it_was_told_anew() -> None:
    before: Condition | None = None
    for state, minutes, same in EPISODES:
        now = told(alarm(state, since=later(minutes)), before=before)
        waits = now.unacked_since is not None
        assert waits == (state in "BD")
        assert (before is not None and waits and now.unacked_since == before.unacked_since) == same
        before = now


moments = st.datetimes(timezones=st.just(UTC))
holds = st.none() | st.builds(Hold, since=moments, why=st.text(), by=st.none() | st.text())
alarms = st.builds(
    Alarm,
    id=st.text(),
    entry=st.text(),
    subject=st.text(),
    priority=st.sampled_from(Priority),
    state=st.sampled_from(AlarmState),
    since=moments,
    says=st.text(),
    latched=st.booleans(),
    acked=st.none() | st.builds(Ack, by=st.none() | st.text(), at=moments, comment=st.text()),
    inhibits=st.builds(Inhibits, shelved=holds, suppressed=holds, out_of_service=holds),
)


@given(alarms)
def test_it_is_the_same_on_the_other_side_of_the_pipe(one: Alarm) -> None:
    condition = told(one)
    assert adapter(Condition).validate_python(plain(condition)).event_id == condition.event_id


# Relays.


def relay(**more: Any) -> Relay:
    parts = {"nameplate": PLATE, "nameplate_since": T0, "answering": True, **more}
    return Relay(bay="Q07", function="main 1", address="127.1.0.1:502/255", **parts)


def quality(name: str, of: Relay) -> tuple[Any, Quality | None]:
    (found,) = [one for one in relay_view("q07", of).values if one.name == name]
    return found.value, found.quality


READ = [
    # the relay, its firmware, how well it is known
    (relay(), "V2.10.00", Quality.GOOD),
    (relay(answering=False), "V2.10.00", Quality.STALE),
    (relay(unreadable_since=T0), "V2.10.00", Quality.STALE),
    (relay(nameplate=None), None, None),
    (relay(nameplate=None, manual=Manual(values={"swRev": "V1"}, read_at=T0, by="J")), "V1",
     Quality.MANUAL),
    (relay(nameplate=replace(PLATE, swRev=None)), None, Quality.GOOD),  # it has none
    (relay(nameplate=replace(PLATE, swRev="V1\x00\x1b")), r"V1\x00\x1b", Quality.GOOD),
]  # fmt: skip


@pytest.mark.parametrize(("of", "value", "expected"), READ)
def test_an_attribute_tells_how_well_it_is_known(
    of: Relay, value: str | None, expected: Quality | None
) -> None:
    assert quality("swRev", of) == (value, expected)


def test_the_firmware_status_stands_beside_the_firmware() -> None:
    judged = Firmware(
        status=FirmwareStatus.APPROVED_OLDER, version="1", target="2", rule="r", since=T0
    )
    one = relay(firmware={"swRev": judged, "components.boot.swRev": judged})
    assert quality("firmwareStatus", one) == ("approved_older", Quality.GOOD)
    assert quality("components.boot.firmwareTarget", one) == ("2", Quality.GOOD)
    assert quality("firmwareStatus", relay()) == (None, None)


def test_flags_are_those_that_stand() -> None:
    one = relay(flags={"b": Flag(says="", since=T0), "a": Flag(says="", since=T0)})
    assert quality("flags", one) == (("a", "b"), Quality.GOOD)
    assert quality("flags", relay(answering=False)) == ((), Quality.STALE)
