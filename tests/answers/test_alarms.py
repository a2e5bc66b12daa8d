"""Alarms as rows and pictures, in the invented substation of world.py."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.answers import one
from poller.answers.alarms import AlarmRow, Part, counted, rows
from poller.answers.one_alarm import picture
from poller.model import limits
from poller.model.alarms import (
    INHIBIT_LETTER,
    Ack,
    Alarm,
    AlarmState,
    Audience,
    Hold,
    Inhibits,
    Priority,
)
from poller.model.canonical import plain
from poller.model.standing import State
from poller.site.alarm_catalogue import Catalogue
from poller.site.shipped_alarms import shipped
from tests.answers.work_world import HOSTILE, looks_of_its_own, texts
from tests.answers.world import NOW, STATE, ago

A, B, C, D = AlarmState
ALARM: Final = (Audience.OPERATOR_ALARM,)
NOTICE: Final = (Audience.ENGINEERING_NOTICE,)
CATALOGUE: Final = shipped()
OVER_MQTT: Final = CATALOGUE.model_copy(update={"acknowledged_over": "mqtt"})
SHELVED: Final = Hold(since=ago(hours=1), until=ago(hours=-3), by="J. Kral", why="crew at the bay")
OUT: Final = Hold(since=ago(days=2), by="J. Kral", why="rebuilt")
BY_WORK: Final = Hold(since=ago(hours=1), why="w3")
ACKED: Final = Ack(by="J. Kral", at=ago(minutes=5), comment="crew called")


def alarm(name: str = "q07-main1.silent", state: AlarmState = B, **more: Any) -> Alarm:
    subject, _, entry = name.partition(".")
    told: dict[str, Any] = {
        "id": name,
        "entry": entry,
        "subject": subject if subject in STATE.relays else "",
        "audience": ALARM,
        "state": state,
        "since": ago(hours=2),
        "says": "it does not answer",
        "condition_since": ago(hours=3),
    }
    return Alarm(**(told | more))


def held(**inhibits: Hold) -> Inhibits:
    return Inhibits(**inhibits)


def book(*alarms: Alarm) -> State:
    return replace(STATE, alarms={one.id: one for one in alarms})


def row_of(one: Alarm, catalogue: Catalogue | None = CATALOGUE) -> AlarmRow:
    (found,) = rows(book(one), NOW, catalogue, parts=tuple(Part))
    return found


def test_a_row_tells_all_that_a_person_at_the_desk_needs() -> None:
    entry = next(one for one in CATALOGUE.entries if one.id == "silent")
    assert row_of(alarm(priority=Priority.MEDIUM)) == AlarmRow(
        id="q07-main1.silent",
        entry="silent",
        relay="q07-main1",
        position="Q07 main 1",
        part=Part.ANNUNCIATED,
        state="B",
        state_says="Unacknowledged",
        unacknowledged=True,
        audience=ALARM,
        kind="alarm",
        priority=Priority.MEDIUM,
        says="it does not answer",
        came=ago(hours=3),
        age_s=3 * 3_600,
        since=ago(hours=2),
        note=None,
        response=entry.response,
        time_to_respond_min=entry.time_to_respond_min,
    )


# ANSI/ISA-18.2-2016 and IEC 62682, by secondary quotations: letter, name, and whether it is told
LETTERS: Final = [
    row
    for row in csv.DictReader(
        (Path(__file__).parents[1] / "checks" / "alarm_states.csv").read_text().splitlines()
    )
    if row["edition"] == "2016/IEC 62682"
]
IN_STATE: Final = {
    **{state.value: alarm(state=state) for state in AlarmState},
    "E": alarm(inhibits=held(shelved=SHELVED)),
    "F": alarm(inhibits=held(suppressed=BY_WORK)),
    "G": alarm(inhibits=held(out_of_service=OUT)),
}


@pytest.mark.parametrize("row", LETTERS, ids=lambda row: row["letter"])
def test_states_have_the_letters_and_names_of_the_standard(row: dict[str, str]) -> None:
    told = row_of(IN_STATE[row["letter"]])
    assert (told.state, told.state_says) == (row["letter"], row["name"])


@pytest.mark.parametrize("row", LETTERS, ids=lambda row: row["letter"])
def test_what_the_standard_annunciates_stands_in_the_list(row: dict[str, str]) -> None:
    assert bool(rows(book(IN_STATE[row["letter"]]), NOW)) == (row["annunciated"] == "yes")


# two alarms of which the first stands above the second
ABOVE: Final = {
    "an alarm above a notice": (
        {"priority": Priority.LOW},
        {"audience": NOTICE, "priority": Priority.HIGH},
    ),
    "high above medium": (
        {"priority": Priority.HIGH, "state": C},
        {"priority": Priority.MEDIUM},
    ),
    "medium above low": (
        {"priority": Priority.MEDIUM, "state": C},
        {"priority": Priority.LOW},
    ),
    "unacknowledged above returned": ({"state": B, "condition_since": ago(days=9)}, {"state": D}),
    "returned above acknowledged": ({"state": D, "condition_since": ago(days=9)}, {"state": C}),
    "the newer above the older": (
        {"condition_since": ago(minutes=1)},
        {"condition_since": ago(minutes=2)},
    ),
    "what stands above what is kept back": (
        {"priority": Priority.LOW},
        {"priority": Priority.HIGH, "inhibits": held(shelved=SHELVED)},
    ),
    "what is kept back above what waits": (
        {"inhibits": held(shelved=SHELVED)},
        {"state": A, "priority": Priority.HIGH, "on_until": ago(minutes=-1)},
    ),
    "what waits above what is normal": (
        {"state": A, "on_until": ago(minutes=-1)},
        {"state": A, "priority": Priority.HIGH},
    ),
}


@pytest.mark.parametrize("case", ABOVE)
def test_the_list_has_an_order(case: str) -> None:
    above, below = ABOVE[case]
    # by their names alone they would stand the other way round
    stand = book(alarm("q07-main2.silent", **above), alarm("q07-main1.silent", **below))
    told = [one.relay for one in rows(stand, NOW, parts=tuple(Part))]
    assert told == ["q07-main2", "q07-main1"]


def test_only_those_of_the_relays_asked_for() -> None:
    stand = book(alarm(), alarm("q07-main2.silent"), alarm("network.many_silent"))
    assert [one.id for one in rows(stand, NOW, relays=["q07-main2"])] == ["q07-main2.silent"]


NOTES: Final = [
    ({}, None),
    ({"state": C, "acked": ACKED}, "acknowledged by J. Kral: crew called"),
    ({"state": A, "acked": ACKED}, None),
    (
        {"inhibits": held(shelved=SHELVED)},
        "shelved until 2026-03-01 15:00:00 UTC by J. Kral: crew at the bay",
    ),
    ({"inhibits": held(suppressed=BY_WORK)}, "suppressed by design: work w3 causes it"),
    (
        {"inhibits": held(shelved=SHELVED, out_of_service=OUT)},
        "taken out of service by J. Kral: rebuilt",
    ),
    (
        {"state": A, "on_until": NOW},
        "comes on 2026-03-01 12:00:00 UTC if its condition stands until then",
    ),
    (
        {"chattering": True, "off_until": NOW},
        "it came so often that it is held until it rests; "
        "ends on 2026-03-01 12:00:00 UTC if its condition stays away until then",
    ),
    ({"latched": True}, "its condition is over, and it is held until it is reset"),
]


@pytest.mark.parametrize(("more", "note"), NOTES)
def test_a_note_tells_what_an_alarm_waits_for(more: dict[str, Any], note: str | None) -> None:
    assert row_of(alarm(**more)).note == note


@pytest.mark.parametrize(
    ("name", "position"),
    [
        ("network.many_silent", "network"),
        ("gateway-127-1-2-1-502.gateway_silent", "gateway"),
        ("poller.output_away.mqtt", "poller"),
    ],
)
def test_alarms_of_no_relay_say_what_they_are_of(name: str, position: str) -> None:
    told = row_of(alarm(name))
    assert (told.relay, told.position) == (None, position)


def test_one_that_never_came_is_rated_by_the_catalogue() -> None:
    name = "q07-main1.flag.firmware_changed"
    never = Alarm(id=name, entry="flag.firmware_changed", subject="q07-main1", since=ago(hours=1))
    told = row_of(replace(never, inhibits=held(out_of_service=OUT)))
    assert (told.kind, told.priority, told.came) == ("alarm", Priority.MEDIUM, ago(hours=1))


def test_a_normal_alarm_is_as_old_as_its_state() -> None:
    assert row_of(alarm(state=A)).came == ago(hours=2)


def test_without_a_catalogue_there_is_no_response() -> None:
    told = row_of(alarm(), None)
    assert (told.response, told.time_to_respond_min) == (None, None)


def test_counts_are_told_in_words() -> None:
    stand = book(
        alarm("q07-main1.silent"),
        alarm("q07-main2.silent", C),
        alarm("q10-main1.silent", D),
        alarm("q07-main1.flag.storage_low", audience=NOTICE),
        alarm("q07-main1.replaced", inhibits=held(shelved=SHELVED)),
        alarm("q07-main2.replaced", A, on_until=NOW),
        alarm("q10-main1.replaced", A),
    )
    assert counted(stand).says() == (
        "3 alarms, 2 unacknowledged; 1 notice; 1 kept back; 1 waiting for a delay"
    )
    assert counted(stand, ["q07-main2"]).says() == "1 alarm; 1 waiting for a delay"
    assert counted(STATE).says() == "no alarm"


@st.composite
def any_alarm(draw: st.DrawFn) -> Alarm:
    kept = {"shelved": SHELVED, "suppressed": BY_WORK, "out_of_service": OUT}
    said = st.text(st.characters(), max_size=600)
    return alarm(
        draw(st.sampled_from(["q07-main1.silent", "q07-main2.silent", "network.many_silent"])),
        draw(st.sampled_from(AlarmState)),
        audience=draw(st.sampled_from([ALARM, NOTICE, (*ALARM, Audience.SECURITY_EVENT)])),
        inhibits=held(
            **{
                name: replace(hold, why=draw(said))
                for name, hold in kept.items()
                if draw(st.booleans())
            }
        ),
        on_until=draw(st.none() | st.just(NOW)),
        says=draw(said),
        acked=draw(st.none() | st.builds(Ack, by=said, at=st.just(NOW), comment=said)),
    )


@given(st.lists(any_alarm(), max_size=4))
def test_every_alarm_is_counted_where_it_is_told(alarms: list[Alarm]) -> None:
    stand = book(*alarms)
    told, every = counted(stand), rows(stand, NOW, parts=tuple(Part))
    assert len(every) == len(stand.alarms)
    assert told.alarms + told.notices == len(rows(stand, NOW))
    assert told.unacknowledged == sum(one.unacknowledged for one in every)


@given(any_alarm())
def test_nothing_that_people_or_devices_say_moves_a_cursor(one: Alarm) -> None:
    state = book(one)
    told = [plain(found) for found in rows(state, NOW, CATALOGUE, parts=tuple(Part))]
    told.append(plain(picture(one, state, NOW, CATALOGUE)))
    assert all(looks_of_its_own(text) for text in texts(told))


# A full picture.

NEXT: Final = [
    (alarm(), CATALOGUE, "bayroll alarms ack q07-main1.silent"),
    (alarm(), None, "bayroll alarms ack q07-main1.silent"),
    (alarm(state=D), OVER_MQTT, "acknowledge it over mqtt"),
    (
        alarm(state=C, latched=True),
        CATALOGUE,
        "when it was seen to: bayroll alarms reset q07-main1.silent",
    ),
    (alarm(state=C), CATALOGUE, "what its response says; it goes when its condition is over"),
    (
        alarm(audience=NOTICE),
        CATALOGUE,
        "what its response says; it goes when its condition is over",
    ),
    (alarm(state=A), CATALOGUE, "nothing"),
    (
        alarm(inhibits=held(shelved=SHELVED)),
        CATALOGUE,
        "nothing: it comes back by itself; sooner: bayroll alarms unshelve q07-main1.silent",
    ),
    (
        alarm(inhibits=held(suppressed=BY_WORK)),
        CATALOGUE,
        "nothing: what still stands after the work is told then",
    ),
    (
        alarm(inhibits=held(out_of_service=OUT, shelved=SHELVED)),
        CATALOGUE,
        "when it is to be told again: bayroll alarms return q07-main1.silent",
    ),
]


@pytest.mark.parametrize(("one", "catalogue", "told"), NEXT)
def test_a_picture_says_what_a_person_does_next(
    one: Alarm, catalogue: Catalogue | None, told: str
) -> None:
    assert picture(one, book(one), NOW, catalogue).next == told


def test_a_picture_has_the_rationalisation_of_the_catalogue() -> None:
    told = picture(alarm(), STATE, NOW, CATALOGUE).rationalisation
    entry = next(one for one in CATALOGUE.entries if one.id == "silent")
    assert told is not None
    assert {**plain(told)}.items() <= entry.model_dump().items()


def test_what_the_catalogue_has_no_more_has_no_rationalisation() -> None:
    gone = replace(alarm(), entry="gone")
    assert picture(gone, STATE, NOW, CATALOGUE).rationalisation is None


def test_a_picture_has_every_inhibit_and_what_stands_beneath() -> None:
    kept = held(shelved=SHELVED, suppressed=BY_WORK, out_of_service=OUT)
    told = picture(alarm(state=C, inhibits=kept, acked=ACKED), STATE, NOW)
    assert [one.inhibit for one in told.inhibits] == list(INHIBIT_LETTER)
    assert (told.state, told.stands, told.stands_says) == ("G", "C", "Acknowledged")
    assert told.acknowledged is not None
    assert told.acknowledged.says == "acknowledged by J. Kral: crew called"


def test_a_comment_is_whole_in_a_picture_and_short_in_a_row() -> None:
    long = replace(ACKED, comment="x" * limits.REASON_MAX)
    one = alarm(state=C, acked=long)
    told = picture(one, STATE, NOW)
    assert told.acknowledged is not None
    assert told.acknowledged.comment == long.comment
    assert told.note is not None
    assert len(told.note) < 2 * limits.SENTENCE_TEXT_MAX


def test_a_relay_is_pictured_with_its_own_alarms_that_stand_or_are_kept_back() -> None:
    stand = book(
        alarm("q07-main1.silent"),
        alarm("q07-main1.replaced", inhibits=held(shelved=SHELVED)),
        alarm("q07-main1.not_done", A),
        alarm("q07-main2.silent"),
    )
    told = one.picture(stand, "q07-main1", None, NOW).alarms
    assert [one.id for one in told] == ["q07-main1.silent", "q07-main1.replaced"]


def test_text_of_a_device_is_escaped_in_what_an_alarm_says() -> None:
    assert "\\x1b[2J\\u202e" in row_of(alarm(says=HOSTILE)).says
