"""What a change record must hold, and where work holds it: one update, from its plan to its end.

Source: NERC CIP-010-4, parts 1.2 to 1.4 and 2.1, in tests/checks/nerc_cip_change_record.csv. Which
field holds which duty is our reading of it. Part 1.4 asks for the controls of CIP-005 and CIP-007
that a change could affect: those are outside of what a relay tells, so a person's remarks hold
them.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pytest

from poller.model import events as ev
from poller.model.standing import Baseline, Investigation, State
from poller.model.work import Disposition, NoteKind, SettingsFile, Work, WorkState
from poller.state import fold
from poller.work.verification import holds, lines
from tests.work.substation import PLATE, SITE, after, plan, reading, state

CHECKS: Final = Path(__file__).parents[1] / "checks" / "nerc_cip_change_record.csv"
DUTIES: Final = {
    row["part"]: row for row in csv.DictReader(CHECKS.read_text(encoding="utf-8").splitlines())
}

# part; what is asked for; where it is held
HELD = """
1.2 | who asked for the change                    | work.by
1.2 | authorised before it was made               | work.entered_at
1.2 | under which authorisation                   | plan.reference
1.2 | which device                                | plan.relay
1.2 | what kind of change                         | plan.kind
1.2 | what it was before                          | plan.before
1.2 | how it was to deviate from the baseline     | plan.expects
1.2 | when it was to be made, in whose time       | plan.start plan.end plan.zone
1.2 | when it was made                            | work.started_at work.ended_at
1.2 | how often it was tried                      | work.tries
1.2 | which rules were overridden                 | work.overridden
1.2 | how it ended, when, and why                 | work.state work.came_out_at work.why
1.2 | which settings were loaded, and who reviewed them | settings.sha256_before settings.sha256_after settings.reviewed_by
1.3 | the baseline as it is now                   | baseline.nameplate
1.3 | when it was updated, by whom, why           | baseline.at baseline.by baseline.why
1.3 | after which change                          | baseline.reference
1.4 | before: the configuration as it was         | read_back.at read_back.by read_back.text
1.4 | before: controls that could be affected     | remark.at remark.by remark.text
1.4 | after: what was expected, what was read, when | line.name line.expected line.read line.at line.ok
1.4 | after: whether all of it held               | checked.holds checked.proven checked.lines
1.4 | after: the functional test                  | tested.at tested.by tested.text
1.4 | documented                                  | work.lines work.notes work.held_since work.proven
2.1 | a change that nobody authorised             | investigation.change investigation.changes investigation.opened_at
2.1 | what became of it, who says so and why      | investigation.disposition investigation.why investigation.by investigation.closed_at
"""  # noqa: E501
ROWS: Final = [tuple(part.strip() for part in row.split("|")) for row in HELD.strip().splitlines()]
PLANNED: Final = replace(
    plan(reference="CR-118"),
    settings=SettingsFile(
        name="k1.set", sha256_before="0" * 64, sha256_after="1" * 64, reviewed_by="M. Lind"
    ),
)


def happened() -> Iterator[tuple[datetime, ev.Body | None]]:
    """An update that took, its baseline, and a change that came later and that nobody planned."""
    yield after(days=-1), ev.WorkAdded(work="w1", plan=PLANNED)
    for kind, words in (
        (NoteKind.READ_BACK, "k1-2026-03-01.cfg"),
        (NoteKind.REMARK, "passwords and open ports: none is affected"),
    ):
        yield after(hours=-1), ev.WorkNoted(work="w1", note=kind, text=words)
    yield (
        after(),
        ev.RuleOverridden(work="w1", rule="bays-at-once", says="w2 in B1", why="storm"),
    )
    yield after(), _moved(WorkState.PLANNED, WorkState.UNDER_WAY)
    yield after(minutes=40), ev.WorkNoted(work="w1", note=NoteKind.TESTED, text="sheet 118")
    yield after(hours=1), _moved(WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY)
    yield (
        after(minutes=65),
        ev.NameplateChanged(
            change=ev.ChangeClass.PLANNED,
            changes=(_change("swRev", "5.1", "5.1 SP2", ev.ChangeClass.PLANNED),),
            nameplate=UPDATED,
            map="larch",
            last_old_at=after(),
            first_new_at=after(minutes=64),
            work="w1",
        ),
    )
    yield after(minutes=65), _moved(WorkState.WAITING_FOR_RELAY, WorkState.CHECKING)
    yield after(minutes=66), CHECK
    yield after(minutes=96), CHECK
    yield after(minutes=96), _moved(WorkState.CHECKING, WorkState.VERIFIED)
    yield (
        after(hours=2),
        ev.BaselineAccepted(nameplate=UPDATED, why="updated", reference="CR-118, w1"),
    )
    yield after(hours=3), _moved(WorkState.VERIFIED, WorkState.CLOSED)
    yield (
        after(days=3),
        ev.InvestigationOpened(
            investigation="i1",
            change=ev.ChangeClass.SETTINGS,
            changes=(_change("configRev", "7", "8", ev.ChangeClass.SETTINGS),),
        ),
    )
    yield (
        after(days=4),
        ev.DispositionGiven(investigation="i1", disposition=Disposition.MISTAKE, why="wrong bay"),
    )


UPDATED: Final = replace(PLATE, swRev="5.1 SP2", serNum="TW5")
CHECK: Final = None  # a verification, as it comes out then


def _moved(before: WorkState, now: WorkState) -> ev.WorkMoved:
    return ev.WorkMoved(work="w1", before=before, after=now, why=f"now {now}")


def _change(name: str, before: str, now: str, change: ev.ChangeClass) -> ev.Change:
    return ev.Change(attribute=name, before=before, after=now, change=change)


def record() -> dict[str, Any]:
    """Everything that the table names, as the state has it in the end."""
    known: State = state()
    checked = None
    for at, body in happened():
        if body is CHECK:
            work = known.works["w1"]
            found = lines(work, known.relays["k1-feeder"], SITE, reading(at), at)
            proven = holds(found) and work.held_since is not None
            body = checked = ev.VerificationChecked(
                work="w1", lines=found, holds=holds(found), proven=proven
            )
        event = ev.Event(at=at, subject="k1-feeder", body=body, by="Ute (uid 1000)")
        known = fold(known, [(known.seq + 1, event)])
    work = known.works["w1"]
    return {
        "work": work,
        "plan": work.plan,
        "settings": work.plan.settings,
        "baseline": known.relays["k1-feeder"].baseline,
        "investigation": known.investigations["i1"],
        "read_back": work.noted(NoteKind.READ_BACK),
        "remark": work.noted(NoteKind.REMARK),
        "tested": work.noted(NoteKind.TESTED),
        "checked": checked,
        "line": work.lines[0],
    }


RECORD: Final = record()


@pytest.mark.parametrize(("part", "asked", "where"), ROWS, ids=[f"{r[0]} {r[1]}" for r in ROWS])
def test_a_duty_of_the_standard_is_held(part: str, asked: str, where: str) -> None:
    assert part in DUTIES
    for place in where.split():
        holder, field = place.split(".")
        assert getattr(RECORD[holder], field) not in (None, "", (), {}), place


def test_each_duty_has_a_place() -> None:
    assert sorted({part for part, _, _ in ROWS}) == sorted(DUTIES)


def test_all_that_a_piece_of_work_holds_is_in_the_table() -> None:
    """A field that is added wants a row here, or a word why it is none of the record."""
    none_of_it = {"work.id", "work.plan", "work.since", "work.reread_at", "plan.settings"}
    none_of_it |= {"work.notes_before"}  # which notes are of the last try
    told = {place for _, _, where in ROWS for place in where.split()} | none_of_it
    held = {
        f"{name}.{field.name}"
        for name in ("work", "plan")
        if is_dataclass(RECORD[name])
        for field in fields(RECORD[name])
    }
    assert held - told == set()


def test_the_change_was_authorised_before_it_was_made() -> None:
    work: Work = RECORD["work"]
    assert work.started_at is not None
    assert work.entered_at < work.started_at


def test_the_result_was_documented_after_the_change_and_by_whom() -> None:
    work: Work = RECORD["work"]
    assert work.started_at is not None
    assert all(line.at > work.started_at for line in work.lines if line.at is not None)
    assert all(note.by == "Ute (uid 1000)" for note in work.notes)


def test_the_days_from_the_change_to_its_baseline_can_be_counted() -> None:
    """Part 1.3 gives 30 calendar days."""
    work: Work = RECORD["work"]
    baseline: Baseline = RECORD["baseline"]
    days = int(DUTIES["1.3"]["number"].split()[0])
    assert work.ended_at is not None
    assert timedelta() < baseline.at - work.ended_at < timedelta(days=days)


def test_a_change_that_nobody_authorised_stays_a_record_of_its_own() -> None:
    found: Investigation = RECORD["investigation"]
    assert (found.work, found.relay) == (None, "k1-feeder")
