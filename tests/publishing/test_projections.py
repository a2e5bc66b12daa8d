"""From state and live readings to bodies, case by case."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given

from poller.journal.chain import START, record
from poller.model import events as ev
from poller.model.nameplate import ATTRIBUTES
from poller.model.standing import Firmware, Flag, Manual, Relay, State
from poller.model.status import Behaviour, Health, Quality, StatusReading
from poller.model.work import (
    ENDED,
    FirmwareStatus,
    Line,
    Note,
    NoteKind,
    Plan,
    Work,
    WorkKind,
    WorkState,
)
from poller.publishing.bodies import (
    event_body,
    firmware_status_body,
    nameplate_body,
    poller_body,
    status_body,
    work_body,
)
from poller.publishing.mqtt.topics import (
    ACKNOWLEDGE,
    ACKNOWLEDGED,
    EVENT,
    NAMEPLATE,
    POLLER,
    STATUS,
    TOPICS,
)
from poller.publishing.projections import Body, Known, Source, open_work
from poller.site.register_map import RegisterMap, StatusFields
from tests.journal.made import ANY_EVENT
from tests.publishing.world import PLATE, Q07, T0, reading, site

BARE = Relay(bay="Q07", function="main 1", address="127.1.0.1:502/255")
READ = replace(BARE, nameplate=PLATE, nameplate_since=T0, map="tarn", answering=True)
SILENT = replace(READ, answering=False)
MANUAL = replace(BARE, manual=Manual(values={"swRev": "3.1"}, read_at=T0, by="J. Kral"))
MAPPED = StatusFields.model_validate(
    {
        "health": {"type": "enum", "table": "input", "address": 1, "names": {1: "ok"}},
        "free_memory_kb": {"type": "u16", "table": "input", "address": 2, "ticking": True},
        "stored_records": {"type": "u16", "table": "input", "address": 3},
        "uptime_s": {"type": "u32", "table": "input", "address": 4, "ticking": True},
        "flags": [{"type": "bits", "table": "input", "address": 6, "bits": {0: "storage_low"}}],
    },
    strict=False,
)


def said(body: Body) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(body.payload)
    return found


def nameplate(relay: Relay, seq: int = 7) -> Body:
    return nameplate_body(Source(site=site(), seq=seq), Q07, (relay,))


def status(
    relay: Relay = READ, read: StatusReading | None = None, mapped: StatusFields | None = MAPPED
) -> Body:
    maps = {} if mapped is None else {"tarn": RegisterMap.model_construct(status=mapped)}
    return status_body(Source(site=replace(site(), maps=maps), seq=7), Q07, (relay, read))


def test_the_topics_are_these() -> None:
    assert [topic.of("s", "r") for topic in TOPICS] == [
        "bayroll/v1/s/poller",
        "bayroll/v1/s/relay/r/nameplate",
        "bayroll/v1/s/relay/r/status",
        "bayroll/v1/s/relay/r/firmware_status",
        "bayroll/v1/s/work/r",
        "bayroll/v1/s/alarm/r",
        "bayroll/v1/s/alarm/r/acknowledge",
        "bayroll/v1/s/alarm/r/acknowledgement",
        "bayroll/v1/s/event",
    ]


def test_every_attribute_is_told_and_null_where_absent() -> None:
    body = said(nameplate(READ))
    assert {name: body[name] for name in ATTRIBUTES} == {
        name: getattr(PLATE, name) for name in ATTRIBUTES
    }
    assert (body["hwRev"], body["components"]) == (None, [])


QUALITIES = [
    (BARE, None, None),
    (READ, "good", None),
    (SILENT, "stale", None),
    (MANUAL, "manual", "2026-03-01T04:05:06.789Z"),
    (replace(MANUAL, nameplate=PLATE), "good", None),  # what was read stands above the panel
]


@pytest.mark.parametrize(("relay", "quality", "read_at"), QUALITIES)
def test_the_quality_of_a_nameplate(relay: Relay, quality: str, read_at: str) -> None:
    body = said(nameplate(relay))
    assert (body["quality"], body["read_at"]) == (quality, read_at)


def test_a_nameplate_read_at_the_panel_is_shown() -> None:
    assert said(nameplate(MANUAL))["swRev"] == "3.1"


def test_bodies_that_say_the_same_have_one_id_whatever_the_journal_did_meanwhile() -> None:
    assert nameplate(READ, seq=7).id == nameplate(READ, seq=9).id
    assert said(nameplate(READ, seq=9))["seq"] == 9
    assert nameplate(READ).id != nameplate(replace(READ, bay="Q09")).id


VALUES = [
    # name, reading, relay, map -> value, quality
    ("health", reading(health=Health.ALARM), READ, MAPPED, 3, "good"),
    ("health", reading(health=Health.ALARM), SILENT, MAPPED, 3, "stale"),
    ("health", reading(quality=Quality.STALE), READ, MAPPED, 1, "stale"),
    ("health", replace(reading(health=None), bad=("health",)), READ, MAPPED, None, "bad"),
    ("health", None, replace(READ, health=Health.WARNING), MAPPED, 2, "stale"),
    ("health", None, READ, MAPPED, None, None),
    ("behaviour", reading(behaviour=None), READ, MAPPED, None, None),  # not in the map
    ("behaviour", reading(behaviour=Behaviour.TEST), READ, None, 3, "good"),  # map not known
    ("behaviour", reading(behaviour=None), READ, None, None, None),
    ("stored_records", reading(stored_records=12), READ, MAPPED, 12, "good"),
    ("uptime_s", reading(uptime_s=12), READ, MAPPED, 12, "good"),
]


@pytest.mark.parametrize(("name", "read", "relay", "mapped", "value", "quality"), VALUES)
def test_each_value_with_its_quality(
    name: str,
    read: StatusReading | None,
    relay: Relay,
    mapped: StatusFields | None,
    value: object,
    quality: str | None,
) -> None:
    told = said(status(relay, read, mapped))[name]
    assert (told["value"], told["quality"]) == (value, quality)
    assert (told["at"] is None) == (read is None or quality is None)


def test_standing_flags_are_told_with_their_sentence() -> None:
    relay = replace(READ, flags={"storage_low": Flag(says="Nearly full.", since=T0)})
    assert said(status(relay, reading()))["flags"] == {
        "standing": [
            {"flag": "storage_low", "says": "Nearly full.", "since": "2026-03-01T04:05:06.789Z"}
        ],
        "quality": "good",
        "at": "2026-03-01T04:05:06.789Z",
    }


def test_a_map_without_flags_tells_none() -> None:
    fields = MAPPED.model_copy(update={"flags": ()})
    assert said(status(READ, reading(), fields))["flags"]["quality"] is None


@pytest.mark.parametrize(
    ("answering", "word"), [(True, "answering"), (False, "silent"), (None, "not_tried")]
)
def test_whether_it_answers(answering: bool | None, word: str) -> None:
    assert said(status(replace(READ, answering=answering)))["answering"] == word


LATER = timedelta(seconds=60)
TELLING = [
    # a change of the reading, whether it is worth a message
    ({"at_s": 60}, False),
    ({"uptime_s": 99}, False),
    ({"relay_time": T0 + LATER}, False),
    ({"free_memory_kb": 99}, False),  # ticking in this map
    ({"stored_records": 99}, True),
    ({"health": Health.ALARM}, True),
    ({"quality": Quality.STALE}, True),
]


@pytest.mark.parametrize(("change", "telling"), TELLING)
def test_what_is_worth_a_status_message(change: dict[str, Any], telling: bool) -> None:
    values = {"uptime_s": 1, "free_memory_kb": 1, "stored_records": 1, "relay_time": T0}
    before = status(READ, reading(**values))
    after = status(READ, reading(**{**values, **change}))
    assert (before.digest != after.digest) == telling


NOW = Firmware(status=FirmwareStatus.CURRENT, version="2.0", target="2.0", rule="td-40", since=T0)
UNRULED = Firmware(
    status=FirmwareStatus.NO_RULE, version="1.4", target=None, rule=None, since=T0 + timedelta(1)
)


def firmware(found: dict[str, Firmware]) -> Body:
    relay = replace(READ, firmware=found)
    return firmware_status_body(Source(site=site(), seq=7), Q07, (relay,))


def test_each_firmware_is_told_by_the_name_of_its_attribute() -> None:
    told = said(firmware({"swRev": NOW, "components.boot.swRev": UNRULED}))
    assert (told["relay"], told["bay"], told["seq"]) == (Q07, "Q07", 7)
    assert told["firmware"] == [
        {
            "attribute": "components.boot.swRev",
            "version": "1.4",
            "target": None,
            "status": "no_rule",
            "rule": None,
            "since": "2026-03-02T04:05:06.789Z",
        },
        {
            "attribute": "swRev",
            "version": "2.0",
            "target": "2.0",
            "status": "current",
            "rule": "td-40",
            "since": "2026-03-01T04:05:06.789Z",
        },
    ]


def test_a_relay_that_was_not_judged_yet_has_no_firmware_status() -> None:
    assert said(firmware({}))["firmware"] == []


FIRMWARE_CHANGES = [
    {"status": FirmwareStatus.WITHDRAWN},
    {"version": "2.1"},
    {"target": "2.1"},
    {"rule": "other"},
    {"since": T0 + timedelta(seconds=1)},
]


@pytest.mark.parametrize("change", FIRMWARE_CHANGES, ids=lambda change: next(iter(change)))
def test_every_change_of_a_firmware_status_is_worth_a_message(change: dict[str, Any]) -> None:
    before = firmware({"swRev": NOW})
    after = firmware({"swRev": replace(NOW, **change)})
    assert before.digest != after.digest


PLAN = Plan(
    relay=Q07,
    kind=WorkKind.UPDATE,
    expects={"swRev": "2.0"},
    before={"swRev": "1.0"},
    start=T0,
    end=T0 + timedelta(hours=4),
    zone="Europe/Oslo",
    reference="WO-7",
)
WORK_1 = Work(id="w1", plan=PLAN, state=WorkState.PLANNED, since=T0, by="J. Kral", entered_at=T0)
LINE = Line(name="swRev", expected="2.0", read="1.0", at=T0, ok=False)
TESTED = Note(at=T0, by="J. Kral", kind=NoteKind.TESTED, text="Trips.")


def work(one: Work = WORK_1, relay: Relay | None = READ) -> Body:
    return work_body(Source(site=site(), seq=7), one.id, (one, relay))


def test_work_is_told_with_its_plan_and_its_position() -> None:
    told = said(work())
    assert (told["work"], told["relay"], told["bay"], told["function"]) == (
        "w1",
        Q07,
        "Q07",
        "main 1",
    )
    assert told["plan"] == {
        "relay": Q07,
        "kind": "update",
        "expects": {"swRev": "2.0"},
        "before": {"swRev": "1.0"},
        "start": "2026-03-01T04:05:06.789Z",
        "end": "2026-03-01T08:05:06.789Z",
        "zone": "Europe/Oslo",
        "reference": "WO-7",
        "settings": None,
    }


def test_work_on_a_relay_that_was_never_listed_has_no_position() -> None:
    told = said(work(relay=None))
    assert (told["relay"], told["bay"], told["function"]) == (Q07, None, None)


WORK_CHANGES = [
    {"state": WorkState.READY},
    {"since": T0 + timedelta(seconds=1)},
    {"why": "Nothing stands in the way."},
    {"started_at": T0},
    {"ended_at": T0},
    {"reread_at": T0},
    {"tries": 1},
    {"lines": (LINE,)},
    {"held_since": T0},
    {"proven": True},
    {"notes": (TESTED,)},
    {"overridden": ("partner-in-service",)},
]


@pytest.mark.parametrize("change", WORK_CHANGES, ids=lambda change: next(iter(change)))
def test_every_change_of_work_is_worth_a_message(change: dict[str, Any]) -> None:
    assert work().digest != work(replace(WORK_1, **change)).digest


def test_a_note_given_again_at_another_time_is_worth_a_message() -> None:
    again = replace(TESTED, at=T0 + timedelta(days=1))
    first = work(replace(WORK_1, notes=(TESTED,)))
    assert first.digest != work(replace(WORK_1, notes=(TESTED, again))).digest


def test_of_notes_the_last_of_each_kind_is_told_oldest_first() -> None:
    notes = tuple(
        Note(at=T0 + timedelta(minutes=minute), by=None, kind=kind, text=str(minute))
        for minute, kind in enumerate(
            (NoteKind.REMARK, NoteKind.TESTED, NoteKind.REMARK, NoteKind.READ_BACK)
        )
    )
    told = said(work(replace(WORK_1, notes=notes)))["notes"]
    assert [(note["kind"], note["text"]) for note in told] == [
        ("tested", "1"),
        ("remark", "2"),
        ("read_back", "3"),
    ]


@pytest.mark.parametrize("state", WorkState)
def test_work_stands_until_it_has_ended(state: WorkState) -> None:
    one = replace(WORK_1, state=state)
    known = Known(state=State(works={"w1": one}, relays={Q07: READ}), live={})
    assert dict(open_work(known)) == {"w1": None if state in ENDED else (one, READ)}


def test_each_new_reading_has_an_id_of_its_own() -> None:
    assert status(READ, reading(at_s=0)).id != status(READ, reading(at_s=1)).id


def test_the_time_alone_is_no_reason_to_tell_of_the_poller_again() -> None:
    def body(at: Any) -> Body:
        return poller_body(site="s", version="1", state="online", head=START, at=at)

    assert body(T0).digest == body(T0 + LATER).digest


@given(event=ANY_EVENT)
def test_an_event_carries_its_envelope_and_the_journals_id(event: ev.Event) -> None:
    (recorded,) = record("journal-uuid", START, [event])
    body = event_body(recorded, site="tarn-hill")
    stored = json.loads(recorded.stored)
    told = said(body)
    assert body.id == recorded.id == told["id"]
    assert {name: told[name] for name in stored} == stored
    assert told["hash"] == recorded.hash


def test_an_event_too_long_for_the_broker_is_told_without_its_body() -> None:
    loaded = ev.SiteLoaded(site="s", sha256="0", files={"site.yaml": "x" * 5_000})
    (recorded,) = record("uuid", START, [ev.Event(at=T0, subject="", body=loaded)])
    whole = event_body(recorded, site="s")
    assert said(whole)["omitted_bytes"] is None
    short = event_body(recorded, site="s", bytes_max=2_000)
    assert len(short.payload) < 2_000
    assert (said(short)["body"], said(short)["id"]) == (None, recorded.id)
    assert said(short)["omitted_bytes"] == len(whole.payload)


def test_what_happens_is_not_retained_and_only_status_expires() -> None:
    assert [t for t in TOPICS if not t.retained] == [ACKNOWLEDGE, ACKNOWLEDGED, EVENT]
    assert [t for t in TOPICS if t.expires] == [STATUS]
    assert {POLLER, NAMEPLATE} < set(TOPICS)
