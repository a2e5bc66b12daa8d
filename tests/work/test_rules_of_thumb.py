"""Rules of thumb for work on relays, each with what becomes of it here.

Source of every one of them: common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from poller.judging.firmware_status import status_of
from poller.model.standing import Relay
from poller.model.status import LIFECYCLE_FLAGS
from poller.model.work import FirmwareStatus, NoteKind, WorkState
from poller.site.approved import Rule
from poller.site.load import load_site
from poller.site.settings import Intervals, RelayEntry, pace
from poller.work.groups import broken
from poller.work.readiness import obstacles
from poller.work.verification import holds, lines, next_step
from tests.work.substation import (
    PLATE,
    READY,
    SITE,
    after,
    note,
    plan,
    reading,
    relay,
    state,
    work,
)


def rule() -> Rule:
    assert SITE.approved is not None
    return SITE.approved.rules[0]


# A version lower than the target means that the relay can be updated; equal means that it is up to
# date already.
AGAINST_TARGET = """
5.1      -> approved_older
5.1 SP2  -> approved_older
5.0      -> not_approved        # lower, and nobody approved it
5.2      -> current
v5.2.0   -> current             # spelled otherwise
5.3      -> newer_than_target
"""


@pytest.mark.parametrize("row", AGAINST_TARGET.strip().splitlines())
def test_a_version_stands_against_the_target(row: str) -> None:
    version, _, status = row.partition("#")[0].partition("->")
    assert status_of(version.strip(), rule()) == FirmwareStatus(status.strip())


# Not the target after the work means that the update did not take.
AFTER_WORK = """
5.1 SP2  -> True
5.1      -> False
5.2      -> False
"""
DONE = work(
    state=WorkState.CHECKING, started_at=after(), ended_at=after(hours=1), reread_at=after(hours=1)
)


def taken(version: str = "5.1 SP2") -> Relay:
    return relay("K1", "feeder", nameplate=replace(PLATE, swRev=version, serNum="TW5"))


@pytest.mark.parametrize("row", AFTER_WORK.strip().splitlines())
def test_what_is_not_as_planned_after_the_work_did_not_take(row: str) -> None:
    version, _, took = row.partition("->")
    seen = reading(after(hours=1))
    found = lines(DONE, taken(version.strip()), SITE, seen, after(hours=2))
    assert str(holds(found)) == took.strip()


# An update can fail because the relay has too little free memory; stored records, saved first and
# the copies opened, can be cleared to make room where the family's procedure says so.
MEMORY = """
256 | nothing noted  ->
255 | nothing noted  -> save all stored records and open the copies
255 | records saved  -> the copies were noted as saved and opened: clear the records now
"""


@pytest.mark.parametrize("row", MEMORY.strip().splitlines())
def test_stored_records_are_cleared_only_after_saved_copies_open(row: str) -> None:
    given, _, says = row.partition("->")
    free, _, noted = given.partition("|")
    notes = (*READY, note(NoteKind.RECORDS_SAVED)) if "saved" in noted else READY
    one, seen = work(notes=notes), reading(free_memory_kb=int(free))
    found = obstacles(one, state(one), SITE, seen, after())
    assert bool(found) == bool(says.strip())
    assert all(it.cure.startswith(says.strip()) for it in found)
    assert all('procedure: "Clear records in the menu Storage."' in it.cure for it in found)


# After an update a relay can show a lifecycle warning that stands until the family's own procedure
# clears it.


@pytest.mark.parametrize("flag", LIFECYCLE_FLAGS[:4])
def test_a_lifecycle_warning_stands_until_the_familys_procedure_clears_it(flag: str) -> None:
    seen = reading(after(hours=1), flags=((flag, True),))
    found = lines(DONE, taken(), SITE, seen, after(hours=2))
    told = {line.name: next_step(line, SITE, taken()) for line in found if line.ok is False}
    assert list(told) == ["lifecycle_flags"]
    assert told["lifecycle_flags"].endswith('procedure: "Confirm it in the menu."')


# The configuration is read back from the relay before an update, so that the engineering copy is
# current. settings_changed_at in hours from the note.
READ_BACK = """
never   ->
-1      ->
1       -> read-back
"""


@pytest.mark.parametrize("row", READ_BACK.strip().splitlines())
def test_the_engineering_copy_is_current(row: str) -> None:
    when, _, rules = (part.strip() for part in row.partition("->"))
    at = None if when == "never" else after(hours=int(when))
    known = state(work(), k1_feeder={"settings_changed_at": at})
    found = obstacles(work(), known, SITE, reading(), after(hours=2))
    assert [it.rule for it in found] == rules.split()


# Main 1 and main 2 of one bay are never updated in the same window.
WINDOWS = """
q01-main1 q01-main2  -> q01-line.together
q02-main1 q02-main2  -> q02-line.together
q01-main1 q02-main2  ->
"""


@pytest.mark.parametrize("row", WINDOWS.strip().splitlines())
def test_main_1_and_main_2_of_a_bay_are_never_updated_in_one_window(row: str) -> None:
    names, _, rules = row.partition("->")
    found = broken([plan(name) for name in names.split()], state(), SITE)
    together = [it.rule for it in found if it.rule.endswith(".together")]
    assert together == rules.split()


# One bay at a time: where a relay of another bay is worked on, this one waits. The site says so.


def test_one_bay_at_a_time() -> None:
    assert SITE.file.work.bays_at_once == 1
    other = work("b1-busbar", 2, state=WorkState.UNDER_WAY)
    found = obstacles(work(), state(work(), other), SITE, reading(), after())
    assert [it.rule for it in found] == ["bays-at-once"]


# A functional test before return to service.


def test_what_was_read_is_no_functional_test() -> None:
    held = replace(DONE, held_since=after(hours=1))
    now = after(hours=3)
    found = {line.name: line for line in lines(held, taken(), SITE, reading(now), now)}
    assert (found["soak"].ok, found["test"].ok) == (True, None)
    assert "what is read never says that a relay trips" in next_step(found["test"], SITE, taken())


# From memory: 20 to 100 relays a substation, 1 to 4 TCP clients a relay, identity hourly, status
# every 10 to 60 s.

CONFIG = Path(__file__).parents[2] / "config"
SHIPPED = load_site(str(CONFIG / "site.yaml"), lambda path: Path(path).read_text(encoding="utf-8"))
PLAIN = RelayEntry(id="q1", bay="Q01", function="main 1", host="10.0.0.1", maps=("larch",))


def test_the_substation_that_ships_is_of_a_usual_size() -> None:
    assert 20 <= len(SHIPPED.file.relays) <= 100
    assert {entry.client_slots for entry in SHIPPED.file.relays} <= {1, 2, 3, 4}


def test_a_relay_is_asked_as_often_as_is_usual() -> None:
    kept = pace(Intervals(), PLAIN)
    assert kept.nameplate_s == 3_600
    assert 10 <= kept.status_s <= 60
