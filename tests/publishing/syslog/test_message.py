"""Syslog messages against RFC 5424, read by a parser of the tests' own."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.answers.sentences import sentence
from poller.journal.ports import Head
from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import Audience, Happening, Priority
from poller.model.canonical import stamp
from poller.model.events import KINDS, Body, ChangeClass, Recorded
from poller.model.text import CUT, shown
from poller.publishing.syslog.message import (
    APP,
    HEAD,
    SEQUENCE_MAX,
    Sender,
    framed,
    number_after,
    severity,
)
from tests.answers.alarm_bodies import ABOUT_ALARMS, CAME
from tests.answers.test_sentences import ABOUT_RELAYS, ABOUT_THE_POLLER, ABOUT_WORK, CHANGES
from tests.answers.world import STATE, event
from tests.publishing.syslog.rfc5424 import Message, NotSyslog, frames, parse

WHO: Final = "J. Kral (uid 1000)"
HASH: Final = "0123456789abcdef" * 4
SENDER: Final = Sender(
    site="tarn-hill",
    version="0.1.0",
    hostname="poller.tarn-hill.example",
    procid="4711",
    facility=13,
    enterprise=32473,
    octets_max=2_048,
    clock_kept=lambda: True,
)
BODIES: Final = [
    body for body, _ in (*ABOUT_THE_POLLER, *ABOUT_RELAYS, *CHANGES, *ABOUT_WORK, *ABOUT_ALARMS)
]
SECURITY: Final = (Audience.OPERATOR_ALARM, Audience.SECURITY_EVENT)


def recorded(of: ev.Event, seq: int = 7) -> Recorded:
    return Recorded(seq=seq, id=f"{'0' * 36}-{seq}", event=of, hash=HASH, stored=b"")


def by_somebody(body: Body, who: str = WHO) -> ev.Event:
    return replace(event(body), by=who)


def message(of: ev.Event, sender: Sender = SENDER, number: int = 1) -> Message:
    return parse(sender.of_event(recorded(of), STATE, number))


# The parser first. RFC 5424, 6.5 and 6.3.5, from memory.

EXAMPLES: Final = [
    "<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - "
    "\ufeff'su root' failed for lonvick on /dev/pts/8",
    "<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - "
    "%% It's time to make the do-nuts.",
    "<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 "
    '[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"] '
    "\ufeffAn application event log entry...",
    "<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 "
    '[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"]'
    '[examplePriority@32473 class="high"]',
]


@pytest.mark.parametrize("text", EXAMPLES)
def test_the_parser_takes_the_examples_of_the_standard(text: str) -> None:
    assert parse(text.encode()).facility in (4, 20)


NOT_SYSLOG: Final = {
    "a space after the bracket": '<34>1 - - - - - [ a@1 b="c"]',
    "an escape that is missing": '<34>1 - - - - - [a@1 b="c]"]',
    "a quote that is missing": "<34>1 - - - - - [a@1 b=c]",
    "an SD-ID twice": '<34>1 - - - - - [a@1 b="c"][a@1 b="c"]',
    "no structured data": "<34>1 - - - - - text",
    "a zero before the priority": "<034>1 - - - - - -",
    "a priority of 192": "<192>1 - - - - - -",
    "a time without an offset": "<34>1 2003-10-11T22:14:15 - - - - -",
    "a MSGID of 33 characters": f"<34>1 - - - - {'a' * 33} -",
}


@pytest.mark.parametrize("text", NOT_SYSLOG.values(), ids=NOT_SYSLOG)
def test_the_parser_refuses_what_is_none(text: str) -> None:
    with pytest.raises(NotSyslog):
        parse(text.encode())


# Which events, and how severe: 2 critical, 3 error, 4 warning, 5 notice (RFC 5424, 6.2.1).

TOLD = """
event                                      by nobody  by somebody
service_started                            5          5
service_stopped                            5          5
site_loaded                                5          5
clock_stepped                              4          4
output_gap                                 4          4
pruned                                     5          5
investigation_opened                       4          4
rule_overridden                            4          4
baseline_accepted                          -          5
reading_entered                            -          5
relay_paused                               -          5
relay_resumed                              -          5
work_added                                 -          5
work_moved                                 -          5
work_noted                                 -          5
investigation_linked                       -          5
disposition_given                          -          5
alarm_inhibited                            -          5
alarm_released                             -          5
spare_shelved                              -          5
relay_seen                                 -          5
relay_silent                               -          5
firmware_status_changed                    -          5
flag_rose                                  -          5
timer_set                                  -          5
"""


@pytest.mark.parametrize("line", TOLD.strip().splitlines()[1:])
def test_what_is_told_and_how_severe_it_is(line: str) -> None:
    kind, *expected = line.split()
    body = next(one for one in BODIES if one.kind == kind)
    found = [severity(event(body)), severity(by_somebody(body))]
    assert ["-" if one is None else str(one.value) for one in found] == expected


CLASSES = """
wrong_version  4
replaced       4
downgraded     4
unplanned      4
options        4
settings       4
text_only      -
planned        -
"""


@pytest.mark.parametrize("line", CLASSES.strip().splitlines())
def test_changes_that_nobody_planned_are_told(line: str) -> None:
    change, expected = line.split()
    body = next(one for one in BODIES if isinstance(one, ev.NameplateChanged))
    found = severity(event(replace(body, change=ChangeClass(change))))
    assert ("-" if found is None else str(found.value)) == expected


def test_no_class_of_change_was_forgotten() -> None:
    assert [line.split()[0] for line in CLASSES.strip().splitlines()] == list(ChangeClass)


# RFC 5674, 2: major 2, minor 3, warning 4, cleared 5.
ALARMS = """
happening        high  medium  low
occurs           2     3       4
released_alarm   2     3       4
returns          5     5       5
acknowledged     5     5       5
released_normal  5     5       5
"""


@pytest.mark.parametrize("line", ALARMS.strip().splitlines()[1:])
def test_security_events_are_as_severe_as_they_are_urgent(line: str) -> None:
    happening, *expected = line.split()
    told = [
        severity(
            event(replace(CAME, audience=SECURITY, happening=Happening(happening), priority=one))
        )
        for one in (Priority.HIGH, Priority.MEDIUM, Priority.LOW)
    ]
    assert [str(one) for one in told] == expected


def test_no_happening_was_forgotten() -> None:
    assert {line.split()[0] for line in ALARMS.strip().splitlines()[1:]} == set(Happening)


@pytest.mark.parametrize("audience", [(Audience.OPERATOR_ALARM,), (Audience.ENGINEERING_NOTICE,)])
def test_alarms_that_are_no_security_events_stay_here(audience: tuple[Audience, ...]) -> None:
    assert severity(event(replace(CAME, audience=audience))) is None


# What a message is made of.


@pytest.mark.parametrize("body", BODIES, ids=lambda body: body.kind)
def test_every_event_makes_a_message_with_the_sentence_of_history(body: Body) -> None:
    of = by_somebody(body)
    told = message(of)
    assert (told.app, told.msgid, told.msg) == (APP, body.kind, sentence(of, STATE))
    assert told.is_utf8


def test_every_kind_of_event_was_tried() -> None:
    assert {body.kind for body in BODIES} == {kind for kind, _ in KINDS}


def test_a_message_to_the_octet() -> None:
    """By hand from RFC 5424, 6: 13 * 8 + 5 = 109; the hash shortened."""
    of = by_somebody(ev.RelayPaused(why="switching"))
    octets = SENDER.of_event(replace(recorded(of), hash="beef"), STATE, 12)
    assert octets.decode() == (
        f"<109>1 {stamp(of.at)} poller.tarn-hill.example bayroll 4711 relay_paused "
        f'[bayroll@32473 site="tarn-hill" seq="7" id="{"0" * 36}-7" hash="beef" '
        f'subject="{of.subject}" by="J. Kral (uid 1000)"]'
        '[origin software="bayroll" swVersion="0.1.0"][meta sequenceId="12"]'
        '[timeQuality tzKnown="1" isSynced="1"] '
        f"\ufeff{sentence(of, STATE)}"
    )


def test_time_is_utc_in_milliseconds() -> None:
    of = by_somebody(ev.RelayResumed())
    assert message(replace(of, at=of.at + timedelta(microseconds=4_000))).at.endswith(".004Z")


def test_what_a_rule_looks_for_stands_in_the_structured_data() -> None:
    own = message(event(replace(CAME, audience=SECURITY))).data["bayroll@32473"]
    assert (own["alarm"], own["priority"], own["happening"]) == (CAME.alarm, "low", "occurs")


def test_names_are_the_enterprises_own() -> None:
    """RFC 5424, 7.2.2: a name of one's own carries one's private enterprise number."""
    told = message(by_somebody(ev.RelayResumed()), replace(SENDER, enterprise=2**32 - 1))
    assert set(told.data) == {"bayroll@4294967295", "origin", "meta", "timeQuality"}


@pytest.mark.parametrize(("kept", "synced"), [(True, "1"), (False, "0"), (None, "0")])
def test_how_good_the_time_is_stands_in_each_message(kept: bool | None, synced: str) -> None:
    """RFC 5424, 7.1: times are UTC, so that the zone is known; synchronized only if that is."""
    told = message(by_somebody(ev.RelayResumed()), replace(SENDER, clock_kept=lambda: kept))
    assert told.data["timeQuality"] == {"tzKnown": "1", "isSynced": synced}


@pytest.mark.parametrize("facility", [1, 4, 10, 13, 23])
def test_the_facility_is_as_set(facility: int) -> None:
    told = message(event(ev.ServiceStarted(version="1")), replace(SENDER, facility=facility))
    assert (told.facility, told.severity) == (facility, 5)


def test_the_head_of_the_journal_is_no_event() -> None:
    told = parse(SENDER.of_head(Head(seq=41, hash=HASH), event(CAME).at, 3))
    assert (told.msgid, told.severity) == (HEAD, 6)
    assert told.data["bayroll@32473"] == {"site": "tarn-hill", "seq": "41", "hash": HASH}
    assert HEAD not in {kind for kind, _ in KINDS}


def test_numbers_run_from_1_and_begin_again_at_the_standards_end() -> None:
    """RFC 5424, 7.3.1."""
    assert (number_after(0), number_after(1), number_after(SEQUENCE_MAX)) == (1, 2, 1)
    assert SEQUENCE_MAX == 2_147_483_647


# Hostile text and tight room.

HOSTILE: Final = st.text(
    alphabet=st.one_of(
        st.sampled_from('"\\]=[ \n\r\x00\x1b\u202e\ufeff\ud800\U0001f525é'), st.characters()
    ),
    max_size=limits.TEXT_MAX,
)


ESCAPED = r"""
a"b   a\"b
a\b   a\\b
a]b   a\]b
a\    a\\
\"    \\\"
\]    \\\]
[a=b  [a=b
"""


@pytest.mark.parametrize("line", ESCAPED.strip().splitlines())
def test_three_characters_are_escaped_and_no_other(line: str) -> None:
    """RFC 5424, 6.3.3."""
    text, expected = line.split()
    octets = SENDER.of_event(recorded(by_somebody(ev.RelayResumed(), text)), STATE, 1)
    assert f' by="{expected}"]'.encode() in octets


@given(why=HOSTILE, who=HOSTILE)
def test_no_text_writes_structure_of_its_own(why: str, who: str) -> None:
    told = message(by_somebody(ev.RelayPaused(why=why), who))
    assert list(told.data) == ["bayroll@32473", "origin", "meta", "timeQuality"]
    assert told.data["bayroll@32473"]["by"] == shown(who)


@given(why=HOSTILE, who=HOSTILE)
def test_no_control_character_is_sent(why: str, who: str) -> None:
    """RFC 5424, 8.2: they are trouble to whoever prints them."""
    octets = SENDER.of_event(recorded(by_somebody(ev.RelayPaused(why=why), who)), STATE, 1)
    assert all(octet >= 32 and octet != 127 for octet in octets)


LONGEST: Final = replace(
    SENDER,
    site="s" * 40,
    version="v" * 32,
    hostname="h" * limits.SYSLOG_HOST_MAX,
    procid=str(2**22),  # Linux numbers processes so far
    enterprise=2**32 - 1,
)


@given(
    octets_max=st.integers(limits.SYSLOG_OCTETS_MIN, 1_200),
    why=HOSTILE,
    who=HOSTILE,
    sender=st.sampled_from([SENDER, LONGEST]),
)
def test_a_message_keeps_to_its_room(octets_max: int, why: str, who: str, sender: Sender) -> None:
    """What is cut is whole in itself: parse() reads UTF-8 and structured data strictly."""
    of = by_somebody(ev.RelayPaused(why=why), who)
    sender = replace(sender, octets_max=octets_max)
    octets = sender.of_event(recorded(of, seq=10**12), STATE, SEQUENCE_MAX)
    told = parse(octets)
    assert len(octets) <= octets_max
    assert told.data[f"bayroll@{sender.enterprise}"].keys() >= {"site", "seq", "id", "hash"}
    whole = sentence(of, STATE)
    assert told.msg in ("", whole) or (
        told.msg.endswith(CUT) and whole.startswith(told.msg.removesuffix(CUT))
    )


def test_room_is_used_to_the_last_octets() -> None:
    """A cut wastes at most three octets, of a character that is not whole."""
    of = by_somebody(ev.RelayPaused(why="\U0001f525" * 255))
    for octets_max in range(700, 720):
        octets = replace(SENDER, octets_max=octets_max).of_event(recorded(of), STATE, 1)
        assert octets_max - 3 <= len(octets) <= octets_max


@given(messages=st.lists(st.binary(min_size=1, max_size=300), max_size=5))
def test_frames_carry_their_lengths(messages: list[bytes]) -> None:
    """RFC 5425, 4.3: octets are counted, so that any octet may stand in a message."""
    assert frames(b"".join(map(framed, messages))) == messages
