"""What stands in the way of work: each obstacle by itself, its sentence, and its cure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.model.nameplate import Nameplate
from poller.model.standing import Flag, Manual
from poller.model.status import Behaviour, Health, Quality, StatusReading
from poller.model.text import shown
from poller.model.work import NoteKind, Work, WorkKind, WorkState
from poller.work.readiness import obstacles
from tests.work.substation import (
    FILE,
    PLATE,
    READY,
    SITE,
    after,
    note,
    plan,
    reading,
    site,
    state,
    work,
)

SOUND = reading()


def rules(
    one: Work | None = None,
    *others: Work,
    told: StatusReading | None = SOUND,
    where: Any = SITE,
    at: float = 0,
    **changed: dict[str, Any],
) -> list[str]:
    one = one or work()
    known = state(one, *others, **changed)
    return [found.rule for found in obstacles(one, known, where, told, after(hours=at))]


def test_nothing_stands_in_the_way_of_work_that_is_prepared() -> None:
    assert rules() == []


def test_without_a_reading_what_is_on_record_counts_but_memory_is_not_known() -> None:
    assert rules(told=None) == ["free-memory"]


# what is different about the relay; the rule that stands in the way
OF_THE_RELAY: dict[str, tuple[dict[str, Any], list[str]]] = {
    "silent": ({"answering": False}, ["answering"]),
    "never tried": ({"answering": None}, ["answering"]),
    "paused": ({"paused": True}, ["answering"]),
    "no longer listed": ({"listed": False}, ["listed"]),
    "never accepted": ({"baseline": None}, ["baseline"]),
    "changed since": ({"nameplate": replace(PLATE, serNum="TW5", configRev="8")}, ["baseline"]),
    "settings changed since it was read back": (
        {"settings_changed_at": after(hours=1)},
        ["read-back"],
    ),
    "settings changed just then": ({"settings_changed_at": after()}, ["read-back"]),
    "settings changed before that": ({"settings_changed_at": after(hours=-1)}, []),
    "version not known": (
        {"nameplate": replace(PLATE, serNum="TW5", swRev=None)},
        ["present-version", "baseline"],
    ),
    "behaviour is no matter": ({"behaviour": Behaviour.TEST}, []),
}


@pytest.mark.parametrize("case", OF_THE_RELAY)
def test_of_the_relay(case: str) -> None:
    changed, expected = OF_THE_RELAY[case]
    assert rules(k1_feeder=changed) == expected


# the last reading; the rules that stand in the way
READINGS: dict[str, tuple[StatusReading, list[str]]] = {
    "warning": (reading(health=Health.WARNING), ["health"]),
    "alarm": (reading(health=Health.ALARM), ["health"]),
    "health not plausible, ok before": (reading(health=None, bad=("health",)), []),
    "memory as the step needs": (reading(free_memory_kb=256), []),
    "memory under it": (reading(free_memory_kb=255), ["free-memory"]),
    "memory not plausible": (reading(bad=("free_memory_kb",)), ["free-memory"]),
    "memory not mapped": (reading(free_memory_kb=None), ["free-memory"]),
    "stale": (reading(quality=Quality.STALE), ["free-memory"]),
    "stale and bad then": (reading(quality=Quality.STALE, health=Health.ALARM), ["free-memory"]),
}


@pytest.mark.parametrize("case", READINGS)
def test_of_the_reading(case: str) -> None:
    told, expected = READINGS[case]
    assert rules(told=told) == expected


def test_a_reading_stands_above_what_is_on_record() -> None:
    assert rules(k1_feeder={"health": Health.WARNING}) == []
    assert rules(k1_feeder={"health": Health.WARNING}, told=None)[0] == "health"


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"health": None}, ["health"]),
        ({"health": None, "map": None}, ["health"]),
        ({"health": None, "map": "any"}, []),
    ],
    ids=["not read yet", "no map chosen", "its map tells no health"],
)
def test_health_is_asked_for_where_it_could_be_told(
    changed: dict[str, Any], expected: list[str]
) -> None:
    where = site(FILE.replace("host: 127.1.4.1, maps: [larch]", "host: 127.1.4.1, maps: [any]"))
    told = reading(health=None)
    assert rules(told=told, where=where, k1_feeder=changed) == expected


# kind, present version, planned: what is said, and the cure; "" for a permitted start
STARTS = """
update   | 5.1       | 5.1 SP2  |
update   | v5.1      | 5.1SP2   |                                 # spelled otherwise
update   | 5.1 SP2   | 5.2      |
rollback | 5.2       | 5.1      |
update   | 5.1       | 5.2      | rule larch permits no step from 5.1 to 5.2 | plan a step that it permits from there: to 5.1 SP2
update   | 5.0       | 5.2      | rule larch permits no step from 5.0 to 5.2 | it permits none from there: see the procedure of the family
update   | garbled   | 5.2      | rule larch permits no step from garbled to 5.2 | it permits none from there: see the procedure of the family
update   | 5.1 SP2   | 5.1SP2   | swRev of k1-feeder is 5.1 SP2 already | cancel the work, or plan the version that is meant
update   | 5.2       | 5.1      | from 5.2 to 5.1 is a step of kind rollback, and the work is planned as update | cancel it, and plan what is meant
rollback | 5.1       | 5.1 SP2  | from 5.1 to 5.1 SP2 is a step of kind update, and the work is planned as rollback | cancel it, and plan what is meant
update   |           | 5.2      | swRev of k1-feeder is not known | let it be read, or enter what the front panel says
"""  # noqa: E501


@pytest.mark.parametrize("row", STARTS.strip().splitlines())
def test_the_present_version_is_a_permitted_start(row: str) -> None:
    kind, present, planned, *said = (
        part.strip() for part in row.split("#", maxsplit=1)[0].split("|")
    )
    one = work(plan=plan(kind=WorkKind(kind), expects={"swRev": planned}))
    known = state(one, k1_feeder={"nameplate": replace(PLATE, swRev=present or None)})
    found = obstacles(one, known, SITE, SOUND, after())
    told = [(it.says, it.cure) for it in found if it.rule == "present-version"]
    assert told == ([(said[0], said[1])] if said[0] else [])


# what is expected; what stands in the way
COMPONENTS: dict[str, tuple[dict[str, str], list[str]]] = {
    "alone, a permitted step": ({"components.boot.swRev": "2.5"}, []),
    "alone, none": ({"components.boot.swRev": "2.6"}, ["present-version"]),
    "alone, no rule": ({"components.logic.swRev": "r41"}, ["present-version"]),
    "with the device's package": ({"swRev": "5.1 SP2", "components.boot.swRev": "2.6"}, []),
}


@pytest.mark.parametrize("case", COMPONENTS)
def test_a_component_needs_a_step_where_its_package_is_loaded_alone(case: str) -> None:
    expects, expected = COMPONENTS[case]
    assert rules(work(plan=plan(expects=expects))) == expected


def test_a_relay_that_no_rule_is_for_has_no_permitted_start() -> None:
    other = replace(PLATE, vendor="Sundholm Apparat")
    one = work()
    found = obstacles(one, state(one, k1_feeder={"nameplate": other}), SITE, SOUND, after())
    assert found[0].says == "no rule of the approved list is for swRev of k1-feeder"
    assert found[0].cure == "add one, with the steps that the procedure of its family permits"


def test_a_site_without_an_approved_list_has_no_steps_to_keep_to() -> None:
    plain = site(FILE.replace("approved: approved.yaml\n", ""))
    assert rules(work(plan=plan(expects={"swRev": "9"})), where=plain) == []


def test_a_box_that_is_to_be_replaced_may_be_dead() -> None:
    one = work(plan=plan(kind=WorkKind.REPLACEMENT, expects={"serNum": "TW9", "swRev": "5.2"}))
    dead = {"answering": False, "health": Health.ALARM}
    assert rules(one, told=None, k1_feeder=dead) == []


def test_new_settings_need_no_package() -> None:
    one = work(plan=plan(kind=WorkKind.SETTINGS, expects={"configRev": "8"}))
    assert rules(one, told=reading(free_memory_kb=0)) == []


# notes; what stands in the way
READ_BACK: dict[str, tuple[tuple[Any, ...], list[str]]] = {
    "noted": ((note(NoteKind.READ_BACK),), []),
    "nothing noted": ((), ["read-back"]),
    "only a remark": ((note(NoteKind.REMARK),), ["read-back"]),
    "a remark after it": ((note(NoteKind.READ_BACK), note(NoteKind.REMARK, after(hours=1))), []),
}


@pytest.mark.parametrize("case", READ_BACK)
def test_the_configuration_is_read_back_first(case: str) -> None:
    notes, expected = READ_BACK[case]
    assert rules(work(notes=notes)) == expected


# what is different about q01-main2, which stands in for q01-main1
OF_THE_PARTNER: dict[str, tuple[dict[str, Any], str]] = {
    "silent": ({"answering": False}, "it does not answer"),
    "never tried": ({"answering": None}, "it does not answer"),
    "paused": ({"paused": True}, "it is paused"),
    "blocked": ({"behaviour": Behaviour.BLOCKED}, "its behaviour is blocked"),
    "in test": ({"behaviour": Behaviour.TEST_BLOCKED}, "its behaviour is test blocked"),
    "off": ({"behaviour": Behaviour.OFF}, "its behaviour is off"),
    "behaviour not read": ({"behaviour": None}, "its behaviour is not known"),
    "alarm": ({"health": Health.ALARM}, "it tells a failure of its own"),
    "failed": (
        {"flags": {"relay_failure": Flag(says="It failed.", since=after())}},
        "it tells a failure of its own",
    ),
    "delisted": ({"listed": False}, "it is not listed"),
    "several": (
        {"answering": False, "behaviour": Behaviour.TEST},
        "it does not answer and its behaviour is test",
    ),
}


@pytest.mark.parametrize("case", OF_THE_PARTNER)
def test_the_partner_is_in_service(case: str) -> None:
    changed, said = OF_THE_PARTNER[case]
    one = work("q01-main1")
    found = obstacles(one, state(one, q01_main2=changed), SITE, SOUND, after())
    assert [(it.rule, it.says, it.cure) for it in found] == [
        (
            "partner",
            f"q01-main2 stands in for q01-main1 meanwhile, but {said}",
            "put q01-main2 into service first, and confirm at the relay that it trips",
        )
    ]


@pytest.mark.parametrize("health", [Health.OK, Health.WARNING, None])
def test_a_partner_with_a_warning_is_in_service(health: Health | None) -> None:
    assert rules(work("q01-main1"), q01_main2={"health": health}) == []


BEGUN = [
    WorkState.UNDER_WAY,
    WorkState.WAITING_FOR_RELAY,
    WorkState.CHECKING,
    WorkState.NOT_DONE,
    WorkState.WRONG_VERSION,
]


@pytest.mark.parametrize("standing", WorkState)
def test_no_other_work_has_begun_in_the_bay(standing: WorkState) -> None:
    """With q02 there is no soak between partners, so that only where the work stands decides."""
    other = work("q02-main2", 2, state=standing)
    expected = ["partner", "bay"] if standing in BEGUN else []
    assert rules(work("q02-main1"), other) == expected


def test_other_work_on_the_same_relay_is_in_the_bay() -> None:
    assert rules(work(), work(number=2, state=WorkState.UNDER_WAY)) == ["bay"]


def test_work_is_not_in_its_own_way() -> None:
    assert rules(work(state=WorkState.NOT_DONE, tries=1)) == []


@pytest.mark.parametrize(("most", "expected"), [(1, ["bays-at-once"]), (2, []), (3, [])])
def test_work_is_under_way_in_so_many_bays_as_the_site_says(most: int, expected: list[str]) -> None:
    others = (
        work("q01-main1", 2, state=WorkState.UNDER_WAY),
        work("q01-main2", 3, state=WorkState.CHECKING),
    )
    where = site(FILE.replace("relays:", f"work: {{bays_at_once: {most}}}\nrelays:", 1))
    assert rules(work(), *others, where=where) == expected


# hours since the work on the partner ended, of 24
@pytest.mark.parametrize(
    ("at", "overridden", "expected"),
    [(23, (), ["partner-soak"]), (24, (), []), (23, ("q01-line.soak",), [])],
)
def test_a_partner_that_was_worked_on_shows_first_what_it_does(
    at: float, overridden: tuple[str, ...], expected: list[str]
) -> None:
    other = work("q01-main2", 2, state=WorkState.VERIFIED, ended_at=after())
    confirmed = (note(NoteKind.READ_BACK), note(NoteKind.PARTNER_TRIPS, after(hours=1)))
    one = work("q01-main1", notes=confirmed, overridden=overridden)
    assert rules(one, other, at=at) == expected


def test_work_on_others_of_no_group_needs_no_soak() -> None:
    other = work("q01-main2", 2, state=WorkState.VERIFIED, ended_at=after())
    assert rules(work(), other) == []


# A relay that answers is not thereby a relay that trips.

CONFIRM = (
    "look at the relay itself: in service, not blocked, trip circuit healthy; then note that it "
    "trips"
)


def test_a_partner_that_answers_is_confirmed_to_trip_by_a_person() -> None:
    one = work("q01-main1", notes=(note(NoteKind.READ_BACK),))
    found = obstacles(one, state(one), SITE, SOUND, after())
    assert [(it.rule, it.says, it.cure) for it in found] == [
        (
            "partner-trips",
            "nobody has confirmed that q01-main2 would trip; "
            "a relay that answers is not thereby a relay that trips",
            CONFIRM,
        )
    ]


@pytest.mark.parametrize("changed", ["nameplate_since", "settings_changed_at"])
def test_what_was_confirmed_before_the_partner_changed_is_confirmed_again(changed: str) -> None:
    one = work("q01-main1")
    known = state(one, q01_main2={changed: after(minutes=1)})
    found = obstacles(one, known, SITE, SOUND, after(hours=1))
    assert [(it.rule, it.says) for it in found] == [
        (
            "partner-trips",
            "q01-main2 changed after it was confirmed to trip; "
            "a relay that answers is not thereby a relay that trips",
        )
    ]


def test_what_was_confirmed_before_work_on_the_partner_is_confirmed_again() -> None:
    other = work("q02-main2", 2, state=WorkState.CLOSED, ended_at=after(minutes=1))
    assert rules(work("q02-main1"), other, at=1) == ["partner-trips"]


def test_a_relay_without_a_partner_needs_no_confirmation() -> None:
    assert rules(work(notes=(note(NoteKind.READ_BACK),))) == []


# Other sentences.

SENTENCES: dict[str, tuple[dict[str, Any], str, str]] = {
    "answering": (
        {"k1_feeder": {"answering": False}},
        "k1-feeder does not answer",
        "see to its connection first: what does not answer can't be checked afterwards",
    ),
    "health": (
        {"told": reading(health=Health.WARNING)},
        "the health of k1-feeder is warning",
        "find out why at the relay, and mend that first; an update on top hides the cause",
    ),
    "free-memory": (
        {"told": reading(free_memory_kb=100)},
        "the package needs 256 kB, and 100 kB are free in k1-feeder: the update can fail half-way",
        "save all stored records and open the copies, note that, and clear the records only then. "
        'Larch protection, procedure: "Clear records in the menu Storage."',
    ),
    "free-memory, saved": (
        {
            "told": reading(free_memory_kb=100),
            "one": work(notes=(*READY, note(NoteKind.RECORDS_SAVED))),
        },
        "the package needs 256 kB, and 100 kB are free in k1-feeder: the update can fail half-way",
        "the copies were noted as saved and opened: clear the records now. "
        'Larch protection, procedure: "Clear records in the menu Storage."',
    ),
    "read-back": (
        {"one": work(notes=())},
        "nobody has noted that the configuration of k1-feeder was read back",
        "read the configuration back from the relay, keep it as the engineering copy, note it",
    ),
    "bay": (
        {"one": work(), "others": (work(number=2, state=WorkState.NOT_DONE),)},
        "w2 on k1-feeder itself is not done",
        "bring that to its end first: verified, or closed with its reason",
    ),
    "bays-at-once": (
        {"one": work(), "others": (work("b1-busbar", 2, state=WorkState.UNDER_WAY),)},
        "there is work under way in other bays (w2 in B1), and the site has it in 1 at once",
        "bring that to its end first; work.bays_at_once of the site file says how many",
    ),
    "baseline": (
        {"k1_feeder": {"nameplate": replace(PLATE, serNum="TW5", hwRev="D")}},
        "k1-feeder differs from its accepted baseline: hwRev",
        "find out who changed that and why, then accept the baseline anew",
    ),
    "baseline, new": (
        {"k1_feeder": {"baseline": None}},
        "the nameplate of k1-feeder was never accepted as its baseline",
        "look at it and accept it, so that it is known what the work changed",
    ),
    "listed": (
        {"k1_feeder": {"listed": False}},
        "k1-feeder is not listed in the site file any more",
        "list it again, or cancel the work",
    ),
}


@pytest.mark.parametrize("case", SENTENCES)
def test_an_obstacle_says_what_it_is_and_its_cure(case: str) -> None:
    given_, says, cure = SENTENCES[case]
    one = given_.get("one", work())
    relays = {key: more for key, more in given_.items() if key == "k1_feeder"}
    known = state(one, *given_.get("others", ()), **relays)
    found = obstacles(one, known, SITE, given_.get("told", SOUND), after())
    expected = (case.partition(",")[0], says, cure)
    assert expected in [(it.rule, it.says, it.cure) for it in found]


def test_another_try_is_not_held_up_by_what_the_first_left_behind() -> None:
    left = {"nameplate": replace(PLATE, serNum="TW5", swRev="5.1 SP2")}
    again = work(plan=plan(expects={"swRev": "5.2"}), state=WorkState.WRONG_VERSION, tries=1)
    assert rules(again, k1_feeder=left) == []
    assert rules(replace(again, tries=0), k1_feeder=left) == ["baseline"]


def test_a_reading_entered_by_hand_is_a_start() -> None:
    entered = Manual(
        values={"vendor": "Tarnwick Electric", "swRev": "5.1"}, read_at=after(days=-2), by="Ute"
    )
    by_hand = {"nameplate": None, "manual": entered, "map": None}
    assert "present-version" not in rules(k1_feeder=by_hand)


# Whatever a relay tells.

WORDS = st.sampled_from(["5.1", "", "\u202e\x07", "9" * 255]) | st.text(max_size=255)


@given(WORDS, WORDS, st.sampled_from(WorkKind))
def test_a_sentence_is_one_whatever_a_relay_calls_itself(
    version: str, serial: str, kind: WorkKind
) -> None:
    strange = Nameplate(vendor="Tarnwick Electric", serNum=serial or None, swRev=version or None)
    one = work("q01-main1", plan=plan("q01-main1", kind=kind), notes=())
    known = state(one, q01_main1={"nameplate": strange})
    for found in obstacles(one, known, SITE, None, after()):
        assert shown(found.says, most=limits.REASON_MAX) == found.says
        assert found.cure
