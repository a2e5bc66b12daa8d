"""Whether work took, line by line, and what to do about a line that does not hold."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model.nameplate import Component, Nameplate
from poller.model.standing import Manual, Relay
from poller.model.status import LIFECYCLE_FLAGS, Behaviour, Health, Quality, StatusReading
from poller.model.work import Line, NoteKind, Work, WorkKind, WorkState
from poller.site.settings import Site
from poller.work.verification import holds, lines, next_step
from tests.work.substation import (
    FILE,
    PLATE,
    SITE,
    after,
    note,
    plan,
    reading,
    relay,
    site,
    work,
)

# begun at 0:00, ended at 1:00, its nameplate read at 1:05; looked at at 1:10
UPDATED = replace(PLATE, swRev="5.1 SP2", serNum="TW5")
READ = after(minutes=65)
LOOKED = after(minutes=70)
DONE = work(
    state=WorkState.CHECKING,
    started_at=after(),
    ended_at=after(hours=1),
    reread_at=READ,
    tries=1,
)
TAKEN = relay("K1", "feeder", nameplate=UPDATED, nameplate_since=after(minutes=64))
SOUND = reading(LOOKED)


def told(
    one: Work = DONE,
    known: Relay = TAKEN,
    where: Site = SITE,
    seen: StatusReading | None = SOUND,
    at: datetime = LOOKED,
) -> dict[str, Line]:
    return {line.name: line for line in lines(one, known, where, seen, at)}


ALL = """
swRev                 | 5.1 SP2                 | 5.1 SP2  | 65 | True
components.boot.swRev | 2.4                     | 2.4      | 65 | True
hwRev                 | C                       | C        | 65 | True
orderCode             | L21                     | L21      | 65 | True
serNum                | TW5                     | TW5      | 65 | True
configRev             | 7                       | 7        | 65 | True
health                | ok                      | ok       | 70 | True
behaviour             | on                      | on       | 70 | True
lifecycle_flags       | none                    | none     | 70 | True
answering             | yes                     | yes      | 70 | True
soak                  | all of these for 1800 s |          |    | None
test                  | passed                  |          |    | None
"""


def test_every_line_says_what_was_expected_what_was_read_and_when() -> None:
    rows = []
    for line in told().values():
        at = "" if line.at is None else str(int((line.at - after()).total_seconds() // 60))
        rows.append((line.name, line.expected, line.read or "", at, str(line.ok)))
    assert rows == [tuple(map(str.strip, row.split("|"))) for row in ALL.strip().splitlines()]


def test_readings_that_hold_are_not_yet_a_verification() -> None:
    found = told()
    assert holds(list(found.values()))
    assert found["test"].ok is None


# what the plan expects; what is read; line and how it comes out
ATTRIBUTES = """
swRev=5.1 SP2                        | swRev=5.1 SP2              | swRev True
swRev=5.1 SP2                        | swRev=V5.1SP2              | swRev True      # spelled otherwise
swRev=5.1 SP2                        | swRev=5.1                  | swRev False     # it did not take
swRev=5.1 SP2                        | swRev=5.2                  | swRev False
swRev=5.1 SP2                        | swRev=                     | swRev None      # not read
swRev=5.1 SP2                        | boot=2.5                   | components.boot.swRev False  # not planned
swRev=5.1 SP2, components.boot.swRev=2.5 | boot=2.5               | components.boot.swRev True
swRev=5.1 SP2, components.boot.swRev=2.5 | boot=2.4               | components.boot.swRev False
swRev=5.1 SP2                        | hwRev=D                    | hwRev False
swRev=5.1 SP2                        | orderCode=L22              | orderCode False
swRev=5.1 SP2                        | serNum=TW9                 | serNum False
swRev=5.1 SP2                        | configRev=8                | configRev False # the settings did not survive
swRev=5.1 SP2, configRev=8           | configRev=8                | configRev True  # converted, as planned
swRev=5.1 SP2, paramRev=3            | paramRev=3                 | paramRev True   # new with this firmware
serNum=TW9                           | serNum=TW9                 | serNum True     # another box
serNum=TW9, model=LARCH-87           | model=LARCH-87             | model True
swRev=5.1 SP2, configRev=07          | configRev=7                | configRev False # only firmware has an order
"""  # noqa: E501


def pairs(text: str) -> dict[str, str]:
    return dict(part.strip().split("=") for part in text.split(","))


@pytest.mark.parametrize("row", ATTRIBUTES.strip().splitlines())
def test_what_the_plan_does_not_speak_of_is_to_be_what_it_was(row: str) -> None:
    expects, read, line = map(str.strip, row.partition("#")[0].split("|"))
    values: dict[str, Any] = {name: text or None for name, text in pairs(read).items()}
    boot = values.pop("boot", None)
    plate = replace(UPDATED, **values)
    if boot is not None:
        plate = replace(plate, components=(Component(name="boot", swRev=boot),))
    one = replace(DONE, plan=plan(expects=pairs(expects)))
    name, ok = line.split()
    assert str(told(one, replace(TAKEN, nameplate=plate))[name].ok) == ok


@pytest.mark.parametrize("name", ["vendor", "model", "location"])
def test_what_no_work_changes_has_no_line_unless_it_is_planned(name: str) -> None:
    assert name not in told()
    assert name in told(replace(DONE, plan=plan(expects={name: "new"})))


def test_without_an_approved_list_versions_are_compared_as_text() -> None:
    plain = site(FILE.replace("approved: approved.yaml\n", ""))
    spelled = replace(TAKEN, nameplate=replace(UPDATED, swRev="5.1SP2"))
    assert told(known=spelled)["swRev"].ok is True
    assert told(known=spelled, where=plain)["swRev"].ok is False


# Nothing that was read before the work says anything of what is there after it.

READ_LINES = [row.split("|")[0].strip() for row in ALL.strip().splitlines()][:-2]


@pytest.mark.parametrize("name", READ_LINES)
def test_until_the_nameplate_was_read_again_no_line_says_anything(name: str) -> None:
    line = told(replace(DONE, reread_at=None))[name]
    assert (line.read, line.at, line.ok) == (None, None, None)


@pytest.mark.parametrize("name", ["health", "behaviour", "lifecycle_flags"])
@pytest.mark.parametrize(
    "seen",
    [None, reading(after(minutes=59)), reading(LOOKED, quality=Quality.STALE)],
    ids=["none", "from before the end", "stale"],
)
def test_a_status_that_is_not_of_now_says_nothing(name: str, seen: StatusReading | None) -> None:
    assert told(seen=seen)[name].ok is None


@pytest.mark.parametrize("name", ["health", "behaviour", "lifecycle_flags"])
def test_between_readings_a_line_says_what_it_said(name: str) -> None:
    """So that a restart of the poller does not begin the soak anew."""
    before = replace(DONE, lines=tuple(told().values()))
    assert told(before, seen=None)[name] == told()[name]


def test_while_the_identity_cannot_be_read_no_attribute_is_said() -> None:
    found = told(known=replace(TAKEN, unreadable_since=LOOKED))
    assert (found["swRev"].ok, found["health"].ok) == (None, True)


def test_what_was_read_after_the_first_time_has_its_own_time() -> None:
    later = replace(TAKEN, nameplate_since=after(minutes=68))
    assert told(known=later)["swRev"].at == after(minutes=68)


@pytest.mark.parametrize(("minute", "ok"), [(59, None), (60, True), (66, True)])
def test_a_front_panel_reading_counts_from_the_end_of_the_work(
    minute: int, ok: bool | None
) -> None:
    entered = Manual(values={"swRev": "5.1 SP2"}, read_at=after(minutes=minute), by="Ute")
    by_hand = replace(TAKEN, nameplate=None, manual=entered, map=None)
    line = told(known=by_hand)["swRev"]
    assert (line.ok, line.at) == (ok, None if ok is None else after(minutes=minute))


# the reading; line, what it says, and how it comes out
STATUS: dict[str, tuple[dict[str, Any], tuple[str, str | None, bool | None]]] = {
    "warning": ({"health": Health.WARNING}, ("health", "warning", False)),
    "alarm": ({"health": Health.ALARM}, ("health", "alarm", False)),
    "health not plausible": ({"health": None, "bad": ("health",)}, ("health", None, None)),
    "blocked": ({"behaviour": Behaviour.BLOCKED}, ("behaviour", "blocked", False)),
    "left in test": ({"behaviour": Behaviour.TEST}, ("behaviour", "test", False)),
    "both": ({"behaviour": Behaviour.TEST_BLOCKED}, ("behaviour", "test blocked", False)),
    "off": ({"behaviour": Behaviour.OFF}, ("behaviour", "off", False)),
    "flags not plausible": ({"flags": (), "bad": ("flags",)}, ("lifecycle_flags", None, None)),
    "two flags": (
        {"flags": (("firmware_changed", True), ("restart_pending", True))},
        ("lifecycle_flags", "firmware_changed, restart_pending", False),
    ),
    "another flag": ({"flags": (("storage_low", True),)}, ("lifecycle_flags", "none", True)),
}  # fmt: skip


@pytest.mark.parametrize("case", STATUS)
def test_of_the_status(case: str) -> None:
    more, (name, read, ok) = STATUS[case]
    line = told(seen=reading(LOOKED, **more))[name]
    assert (line.read, line.ok) == (read, ok)


@pytest.mark.parametrize("flag", LIFECYCLE_FLAGS)
def test_flags_that_work_raises_are_cleared_again_and_the_makers_support_is_another_matter(
    flag: str,
) -> None:
    line = told(seen=reading(LOOKED, flags=((flag, True),)))["lifecycle_flags"]
    assert line.ok is flag.startswith("support_")


def test_what_the_map_does_not_tell_has_no_line() -> None:
    bare = site(FILE.replace("host: 127.1.4.1, maps: [larch]", "host: 127.1.4.1, maps: [any]"))
    found = told(known=replace(TAKEN, map="any"), where=bare)
    assert not {"health", "behaviour", "lifecycle_flags"} & found.keys()
    assert found["answering"].ok is True


@pytest.mark.parametrize(
    ("changed", "read", "ok"),
    [
        ({"answering": False}, "no", False),
        ({"paused": True}, "no", False),
        ({"answering": None}, None, None),
    ],
    ids=["silent", "paused", "not tried"],
)
def test_a_relay_that_does_not_answer_is_not_verified(
    changed: dict[str, Any], read: str | None, ok: bool | None
) -> None:
    line = told(known=replace(TAKEN, **changed))["answering"]
    assert (line.read, line.ok) == (read, ok)


# Soak and test.


@pytest.mark.parametrize(
    ("held_min", "ok"), [(None, None), (0, None), (29, None), (30, True), (90, True)]
)
def test_the_readings_hold_for_the_whole_soak(held_min: int | None, ok: bool | None) -> None:
    now = after(hours=4)
    since = None if held_min is None else after(hours=4, minutes=-held_min)
    assert told(replace(DONE, held_since=since), seen=reading(now), at=now)["soak"].ok is ok


def test_the_soak_is_as_long_as_the_site_says() -> None:
    short = site(FILE.replace("relays:", "work: {soak_s: 60}\nrelays:", 1))
    held = replace(DONE, held_since=after(minutes=69))
    assert told(held, where=short)["soak"].ok is True
    assert told(held)["soak"].ok is None


def test_a_line_that_fails_breaks_the_soak_off() -> None:
    now = after(hours=4)
    seen = reading(now, health=Health.WARNING)
    held = replace(DONE, held_since=after(hours=2))
    assert told(held, seen=seen, at=now)["soak"].ok is None


def test_the_time_that_passes_is_no_news() -> None:
    """A line that said how far the soak is would be an event every few seconds."""
    held = replace(DONE, held_since=after(minutes=66))
    early, late = (
        told(held, seen=reading(at), at=at) for at in (after(minutes=70), after(minutes=90))
    )
    assert early["soak"] == late["soak"]
    assert [(one.read, one.ok) for one in early.values()] == [
        (one.read, one.ok) for one in late.values()
    ]


@pytest.mark.parametrize(
    ("kind", "before", "ok"),
    [
        (NoteKind.TESTED, 0, True),
        (NoteKind.TESTED, 1, None),  # of what it was before it was last started
        (NoteKind.REMARK, 0, None),
    ],
)
def test_the_functional_test_is_noted_by_a_person(
    kind: NoteKind, before: int, ok: bool | None
) -> None:
    noted = replace(DONE, notes=(note(kind, after(minutes=90)),), notes_before=before)
    assert told(noted)["test"].ok is ok


@pytest.mark.parametrize("name", READ_LINES)
@pytest.mark.parametrize("ok", [False, None])
def test_one_line_that_does_not_hold_is_enough(name: str, ok: bool | None) -> None:
    found = [replace(one, ok=ok) if one.name == name else one for one in told().values()]
    assert not holds(found)


@pytest.mark.parametrize("name", ["soak", "test"])
def test_soak_and_test_are_not_read(name: str) -> None:
    found = [replace(one, ok=None) if one.name == name else one for one in told().values()]
    assert holds(found)


# What to do next.

STOP = "leave the relay isolated; check that hardware, package and settings fit together"
FAILED = 'Larch protection, procedure: "Load the package once more."'
HARDWARE = 'Larch protection, procedure: "Hardware A takes no 5."'

NEXT: dict[str, tuple[Line, str]] = {}


def case(name: str, expected: str, read: str | None, ok: bool | None, says: str) -> None:
    line = Line(name=name, expected=expected, read=read, at=None, ok=ok)
    NEXT[f"{name} {expected} {read} {ok}"] = (line, says)


case("swRev", "5.1 SP2", "5.1 SP2", True, "")
case(
    "swRev", "5.1 SP2", "5.1", False,
    f"{STOP}; the approved list permits one more try; then fit a spare. {FAILED}. {HARDWARE}",
)  # fmt: skip
case(
    "swRev", "5.2", "5.1 SP2", False,
    f"{STOP}; no second try is permitted; then fit a spare. {FAILED}. {HARDWARE}",
)  # fmt: skip
case(
    "swRev", "5.1 SP2", "5.2", False,
    f"{STOP}; the approved list has no step from 5.2 to 5.1 SP2: ask before a second try; then go "
    f"back to 5.1, or fit a spare. {FAILED}. {HARDWARE}",
)  # fmt: skip
case(
    "swRev", "5.2", "5.1", False,
    f"{STOP}; the approved list has no step from 5.1 to 5.2, only to 5.1 SP2: ask before a second "
    f"try; then fit a spare. {FAILED}. {HARDWARE}",
)  # fmt: skip
case(
    "components.boot.swRev", "2.5", "2.4", False,
    f"{STOP}; no second try is permitted; then fit a spare. "
    f'Larch boot program, procedure: "Call the maker.". {HARDWARE}',
)  # fmt: skip
case(
    "components.logic.swRev", "r41", "r40", False,
    f"{STOP}; one more try only if its family's procedure allows it; then go back, or fit a spare. "
    f"{FAILED}. {HARDWARE}",
)  # fmt: skip
case(
    "hwRev", "C", "D", False,
    "look at the label of the box: it is not the one that was planned, or was refitted. "
    f"{HARDWARE}",
)  # fmt: skip
case(
    "configRev", "7", "8", False,
    "compare the settings in the relay with the file that was reviewed, and load that. "
    'Larch protection, procedure: "Compare the file."',
)  # fmt: skip
case(
    "model", "LARCH-21", "LARCH-87", False,
    "find out why it is not as planned; if it is right all the same, say so in a note",
)  # fmt: skip
case(
    "health", "ok", "warning", False,
    "keep the relay out of service and find out what it warns of. "
    'Larch protection, procedure: "Read the log."',
)  # fmt: skip
case(
    "behaviour", "on", "test", False,
    "take it out of test or blocking before it returns to service. "
    'Larch protection, procedure: "Close the test switch."',
)  # fmt: skip
case(
    "lifecycle_flags", "none", "firmware_changed, restart_pending", False,
    "firmware changed stands: it is cleared with the engineering tool; "
    "restart pending stands: it is cleared by a restart. "
    'Larch protection, procedure: "Confirm it in the menu."',
)  # fmt: skip
case(
    "answering", "yes", "no", False,
    "see to its connection and its supply. "
    'Larch protection, procedure: "Wait ten minutes."',
)  # fmt: skip
case(
    "health", "ok", None, None,
    "wait until it is read; what stays unread is to be read at the front panel",
)  # fmt: skip
case(
    "soak", "all of these for 1800 s", None, None,
    "wait: all of these for 1800 s without a break; a line that fails begins it anew",
)  # fmt: skip
case(
    "test", "passed", None, None,
    "carry out the functional test and note that it passed; what is read never says that a relay "
    'trips. Larch protection, procedure: "Inject every tripping element."',
)  # fmt: skip


@pytest.mark.parametrize("name", NEXT)
def test_what_fails_says_what_to_do_in_the_procedures_own_words(name: str) -> None:
    line, says = NEXT[name]
    assert next_step(line, SITE, TAKEN) == says


@pytest.mark.parametrize("name", NEXT)
def test_without_a_procedure_there_is_still_something_to_do(name: str) -> None:
    line, says = NEXT[name]
    plain = site(FILE.replace("approved: approved.yaml\n", ""))
    said = next_step(line, plain, TAKEN)
    assert "procedure:" not in said
    assert bool(said) == bool(says)


# Whatever is planned and read.

TEXTS = st.sampled_from(["5.1", "5.1 SP2", "5.2", "x", "\u202e" * 255])
PLATES = st.builds(
    Nameplate, vendor=st.just("Tarnwick Electric"), swRev=st.none() | TEXTS,
    serNum=st.none() | TEXTS, configRev=st.none() | TEXTS,
)  # fmt: skip
EXPECTS = st.dictionaries(
    st.sampled_from(["swRev", "serNum", "configRev", "components.boot.swRev", "model"]),
    TEXTS,
    min_size=1,
)


@given(EXPECTS, PLATES, st.sampled_from(WorkKind), st.none() | st.integers(0, 300))
def test_every_expectation_has_one_line_and_holds_only_when_it_was_read(
    expects: dict[str, str], plate: Nameplate, kind: WorkKind, reread: int | None
) -> None:
    at = None if reread is None else after(minutes=reread)
    one = replace(DONE, plan=plan(kind=kind, expects=expects), reread_at=at)
    found = lines(one, replace(TAKEN, nameplate=plate), SITE, SOUND, after(hours=9))
    names = [line.name for line in found]
    assert len(set(names)) == len(names)
    assert expects.keys() <= set(names)
    assert all(line.read is not None and line.at is not None for line in found if line.ok)
    assert reread is not None or not holds(found)


@given(EXPECTS, PLATES)
def test_a_line_that_does_not_hold_always_says_what_to_do(
    expects: dict[str, str], plate: Nameplate
) -> None:
    known = replace(TAKEN, nameplate=plate)
    for line in lines(replace(DONE, plan=plan(expects=expects)), known, SITE, SOUND, LOOKED):
        said = next_step(line, SITE, known)
        assert bool(said) == (line.ok is not True)
        assert "\u202e" not in said
