"""What planned work causes is kept from the operator, and nothing else, and not for longer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from poller.model import events as ev
from poller.model.events import Body, ChangeClass
from poller.model.status import Behaviour, Health
from poller.model.work import FirmwareStatus, WorkKind, WorkState
from poller.site.shipped_alarms import TEXT
from tests.alarms.world import (
    PLATE,
    World,
    added,
    at,
    behaves,
    fell,
    health,
    moved,
    opened,
    read,
    rose,
    silent,
    site,
)

Q = "q01-main1"
S = WorkState
WINDOW_S = 7_200


def at_work(
    kind: WorkKind = WorkKind.UPDATE, before: str = "5.1", until: WorkState = S.CHECKING
) -> World:
    """Begun at 60, ended at 1200, read again at 1260; its window goes from 0 to 7200."""
    world = World()
    world.happens(-600, (Q, read(-600, swRev=before)))
    world.happens(-60, (Q, added(Q, 0, WINDOW_S, kind, before)))
    world.happens(60, (Q, moved(S.PLANNED, S.UNDER_WAY)))
    if until in (S.WAITING_FOR_RELAY, S.CHECKING):
        world.happens(1_200, (Q, moved(S.UNDER_WAY, S.WAITING_FOR_RELAY)))
    if until == S.CHECKING:
        world.happens(1_260, (Q, moved(S.WAITING_FOR_RELAY, S.CHECKING)))
    return world


NO_MAP = ev.NoValidMap(identity=replace(PLATE, swRev="5.2"), before="any")
OTHER = ev.NoValidMap(identity=replace(PLATE, swRev="6.0"), before="any")
UNREADABLE = ev.IdentityUnreadable(since=at(1_300), reason="boot text")
OLDER = ev.FirmwareStatusChanged(
    attribute="swRev",
    before=None,
    after=FirmwareStatus.APPROVED_OLDER,
    version="5.2",
    target="5.3",
    rule="larch",
)

# What is found out after the work, of which kind of work, and how its alarm stands then. F: kept
# back; B: told. An id without the relay.
FOUND: list[tuple[str, WorkKind, Body, str, str]] = [
    ("silent", WorkKind.UPDATE, silent(1_250), "silent", "F"),
    ("not readable", WorkKind.UPDATE, UNREADABLE, "identity_unreadable", "F"),
    ("planned, no map", WorkKind.UPDATE, NO_MAP, "no_valid_map", "F"),
    ("other, no map", WorkKind.UPDATE, OTHER, "no_valid_map", "B"),
    ("planned, older", WorkKind.UPDATE, OLDER, "firmware.approved_older", "F"),
    ("flag", WorkKind.UPDATE, rose("firmware_changed", 1_300), "flag_left.firmware_changed", "F"),
    ("flag", WorkKind.UPDATE, rose("restart_pending", 1_300), "flag_left.restart_pending", "F"),
    ("flag", WorkKind.UPDATE, rose("hardware_changed", 1_300), "flag.hardware_changed", "B"),
    ("flag", WorkKind.UPDATE, rose("settings_changed", 1_300), "flag.settings_changed", "B"),
    ("flag", WorkKind.UPDATE, rose("support_ended", 1_300), "flag.support_ended", "B"),
    ("flag", WorkKind.SETTINGS, rose("settings_changed", 1_300), "flag_left.settings_changed", "F"),
    ("flag", WorkKind.SETTINGS, rose("firmware_changed", 1_300), "flag.firmware_changed", "B"),
    ("flag", WorkKind.REPLACEMENT, rose("hardware_changed", 99), "flag_left.hardware_changed", "F"),
    ("failure", WorkKind.UPDATE, health(Health.ALARM), "relay_failure_wired", "B"),
    ("change", WorkKind.UPDATE, opened(1, ChangeClass.SETTINGS), "settings_changed", "B"),
    ("change", WorkKind.UPDATE, opened(1, ChangeClass.REPLACED), "replaced", "B"),
    ("left in test", WorkKind.UPDATE, behaves(Behaviour.TEST), "not_in_service", "B"),
]
IDS = [f"{case[0]}-{case[1]}-{case[3]}" for case in FOUND]


@pytest.mark.parametrize(("says", "kind", "body", "entry", "letter"), FOUND, ids=IDS)
def test_only_what_the_work_causes_is_kept_back(
    says: str, kind: WorkKind, body: Body, entry: str, letter: str
) -> None:
    world = at_work(kind)
    world.happens(1_400, (Q, body))
    world.run(1_400, 2_400)
    assert world.letters == {f"{Q}.{entry}": letter}


KEPT = [case for case in FOUND if case[4] == "F"]


@pytest.mark.parametrize(
    ("says", "kind", "body", "entry", "letter"), KEPT, ids=lambda v: str(v)[:9]
)
def test_what_is_left_at_the_end_of_the_window_is_told_then(
    says: str, kind: WorkKind, body: Body, entry: str, letter: str
) -> None:
    world = at_work(kind)
    world.happens(1_400, (Q, body))
    world.run(1_400, WINDOW_S - 1)
    assert world.annunciated == []
    world.look(WINDOW_S)
    assert world.annunciated == [f"{Q}.{entry}"]


ENDS = [S.VERIFIED, S.NOT_DONE, S.WRONG_VERSION, S.CLOSED]


@pytest.mark.parametrize("end", ENDS)
def test_what_is_left_when_the_work_came_out_is_told_at_once(end: WorkState) -> None:
    world = at_work()
    world.happens(1_400, (Q, rose("firmware_changed", 1_400)))
    world.happens(3_000, (Q, moved(S.CHECKING, end)))
    assert world.letters[f"{Q}.flag_left.firmware_changed"] == "B"


def test_what_goes_before_the_end_of_the_work_is_never_told() -> None:
    world = at_work()
    world.happens(1_400, (Q, rose("firmware_changed", 1_400)))
    world.happens(2_000, (Q, fell("firmware_changed", 2_000)))
    world.happens(3_000, (Q, moved(S.CHECKING, S.VERIFIED)))
    world.run(3_000, 3_600)
    assert (world.annunciated, world.letters) == ([], {})


def test_a_flag_that_stood_before_the_work_stays_told() -> None:
    world = World()
    world.happens(-600, (Q, rose("firmware_changed", -600)))
    world.happens(-60, (Q, added(Q, 0, WINDOW_S)))
    world.happens(60, (Q, moved(S.PLANNED, S.UNDER_WAY)))
    world.run(60, 600)
    assert world.letters == {f"{Q}.flag.firmware_changed": "B"}


def test_a_relay_that_was_silent_before_the_work_stays_told() -> None:
    world = World()
    world.happens(-600, (Q, silent(-780)))
    world.run(-600, 0)
    world.happens(-60, (Q, added(Q, 0, WINDOW_S)))
    world.happens(60, (Q, moved(S.PLANNED, S.UNDER_WAY)))
    world.run(60, 600)
    assert world.letters == {f"{Q}.silent": "B"}


def test_a_last_answer_just_before_the_start_is_of_a_relay_that_the_work_made_silent() -> None:
    world = at_work(until=S.WAITING_FOR_RELAY)
    world.happens(1_400, (Q, silent(10)))
    world.run(1_400, 2_400)
    assert world.letters == {f"{Q}.silent": "F"}


def test_a_flag_that_rises_after_the_work_came_out_is_none_of_its_own() -> None:
    world = at_work()
    world.happens(2_000, (Q, moved(S.CHECKING, S.VERIFIED)))
    world.happens(2_100, (Q, rose("firmware_changed", 2_100)))
    assert world.letters == {f"{Q}.flag.firmware_changed": "B"}
    world.happens(2_200, (Q, moved(S.VERIFIED, S.CLOSED)))
    assert world.letters == {f"{Q}.flag.firmware_changed": "B"}


def test_work_that_was_never_begun_causes_nothing() -> None:
    world = World()
    world.happens(-60, (Q, added(Q, 0, WINDOW_S)))
    world.happens(60, (Q, rose("firmware_changed", 60)))
    world.happens(90, (Q, moved(S.PLANNED, S.CANCELLED)))
    assert world.letters == {f"{Q}.flag.firmware_changed": "B"}


def test_work_on_another_relay_covers_nothing_here() -> None:
    world = at_work()
    world.happens(1_400, ("q02-main1", rose("firmware_changed", 1_400)))
    assert world.letters == {"q02-main1.flag.firmware_changed": "B"}


def test_settings_that_do_not_survive_the_step_raise_their_flag() -> None:
    world = at_work(before="5.0")
    world.happens(1_400, (Q, rose("settings_changed", 1_400)))
    assert world.letters == {f"{Q}.flag_left.settings_changed": "F"}


def test_a_flag_of_the_first_try_is_the_works_own_in_the_second() -> None:
    world = at_work()
    world.happens(1_400, (Q, rose("firmware_changed", 1_400)))
    world.happens(2_000, (Q, moved(S.CHECKING, S.NOT_DONE)))
    world.happens(2_100, (Q, moved(S.NOT_DONE, S.UNDER_WAY)))
    world.run(2_100, 2_200)
    assert world.letters[f"{Q}.flag_left.firmware_changed"] == "F"


def test_a_relay_that_is_worked_on_is_not_told_to_be_in_test_until_it_is_left_so() -> None:
    world = at_work(until=S.UNDER_WAY)
    world.happens(90, (Q, behaves(Behaviour.TEST)))
    world.run(90, 1_200, step=60)
    assert world.letters == {}
    world.happens(1_205, (Q, moved(S.UNDER_WAY, S.WAITING_FOR_RELAY)))
    world.run(1_205, 1_205 + 900)
    assert world.letters == {f"{Q}.not_in_service": "B"}


def test_without_an_entry_for_flags_that_are_left_the_flag_itself_is_kept_back_and_told() -> None:
    start, end = TEXT.index("  - id: flag_left"), TEXT.index("  - id: flag.support_ending")
    world = World(site(TEXT[:start] + TEXT[end:]))
    world.happens(-60, (Q, added(Q, 0, WINDOW_S)))
    world.happens(60, (Q, moved(S.PLANNED, S.UNDER_WAY)))
    world.happens(90, (Q, rose("firmware_changed", 90)))
    assert world.letters == {f"{Q}.flag.firmware_changed": "F"}
    world.look(WINDOW_S)
    assert world.letters == {f"{Q}.flag.firmware_changed": "B"}


def test_why_it_is_kept_back_names_the_work() -> None:
    world = at_work()
    world.happens(1_400, (Q, rose("firmware_changed", 1_400)))
    hold = world.alarm(f"{Q}.flag_left.firmware_changed").inhibits.suppressed
    assert hold is not None
    assert (hold.why, hold.by) == ("w1", None)
