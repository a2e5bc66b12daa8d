"""People, relays and the clock in any order: what must hold whatever they do."""

from __future__ import annotations

import contextlib
import itertools
from datetime import timedelta
from typing import Any

import hypothesis.strategies as st
from hypothesis import settings
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from poller.decide import AcceptBaseline, Input
from poller.judging.findings import Answering, Silent
from poller.model import events as ev
from poller.model import limits
from poller.model.canonical import adapter, encode, plain
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.work import ENDED, Disposition, NoteKind, Work, WorkKind, WorkState
from poller.state import fold
from poller.work.planned_work import STEP
from poller.work.requests import (
    AddWork,
    CancelWork,
    CloseWork,
    EndWork,
    GiveDisposition,
    LinkInvestigation,
    NoteWork,
    StartWork,
)
from tests.work.world import Desk, desk, entered, plate

RELAYS = st.sampled_from(("q07-main1", "q07-main2", "q08-main1"))
VERSIONS = st.sampled_from(("V2.09", "V2.10", "2.10", "V2.11", "V2.12"))
SERIALS = st.sampled_from(("40111", "40112", "9"))
PARAMETERS = st.sampled_from(("7", "8"))
MINUTES = st.sampled_from((0, 1, 5, 31, 60, 24 * 60))
ALTHOUGH = st.none() | st.just("a person decided so")
EXPECTS = st.one_of(
    st.tuples(st.sampled_from((WorkKind.UPDATE, WorkKind.ROLLBACK)), VERSIONS).map(
        lambda told: (told[0], {"swRev": told[1]})
    ),
    st.tuples(SERIALS, VERSIONS).map(
        lambda told: (WorkKind.REPLACEMENT, {"serNum": told[0], "swRev": told[1]})
    ),
    PARAMETERS.map(lambda told: (WorkKind.SETTINGS, {"paramRev": told})),
)
FATES = st.sampled_from(("as planned", "as before", "other"))
LEADS = {(before, after) for (before, _), after in STEP.items()}
ONLY_PEOPLE = {
    WorkState.UNDER_WAY,
    WorkState.WAITING_FOR_RELAY,
    WorkState.CANCELLED,
    WorkState.CLOSED,
}


class Book(RuleBasedStateMachine):
    made: Desk

    def __init__(self) -> None:
        super().__init__()
        self.ended: dict[str, Work] = {}
        self.looked_at = 0

    @initialize()
    def begin(self) -> None:
        self.made = desk()

    def ask(self, request: Input) -> None:
        with contextlib.suppress(Refusal):  # and nothing else
            self.made.ask(request)

    def some_work(self, data: st.DataObject) -> str:
        return data.draw(st.sampled_from(sorted(self.made.state.works)), label="work")

    # People.

    @rule(
        relays=RELAYS.map(lambda one: (one,)) | st.just(("q07-main1", "q07-main2")),
        meant=EXPECTS,
        starts=st.sampled_from((0, 0, 0, 60)),
        lasts=st.sampled_from((60, 60, 24 * 60, 0)),
        although=ALTHOUGH,
    )
    def add(
        self,
        relays: tuple[str, ...],
        meant: tuple[WorkKind, dict[str, str]],
        starts: int,
        lasts: int,
        although: str | None,
    ) -> None:
        start = self.made.now + timedelta(minutes=starts)
        self.ask(
            AddWork(
                relays=relays,
                kind=meant[0],
                expects=meant[1],
                start=start,
                end=start + timedelta(minutes=lasts),
                zone="Europe/Berlin",
                although=although,
            )
        )

    @precondition(lambda self: self.made.state.works)
    @rule(data=st.data(), although=ALTHOUGH)
    def start(self, data: st.DataObject, although: str | None) -> None:
        self.ask(StartWork(work=self.some_work(data), although=although))

    @precondition(lambda self: self.made.state.works)
    @rule(data=st.data())
    def end(self, data: st.DataObject) -> None:
        self.ask(EndWork(work=self.some_work(data)))

    @precondition(lambda self: self.made.state.works)
    @rule(data=st.data(), how=st.sampled_from((CancelWork, CloseWork)))
    def give_up(self, data: st.DataObject, how: Any) -> None:
        self.ask(how(work=self.some_work(data), why="enough"))

    @precondition(lambda self: self.made.state.works)
    @rule(data=st.data(), kind=st.sampled_from(NoteKind))
    def note(self, data: st.DataObject, kind: NoteKind) -> None:
        self.ask(NoteWork(work=self.some_work(data), note=kind, text="noted"))

    @precondition(lambda self: self.made.state.works and self.made.state.investigations)
    @rule(data=st.data(), disposition=st.none() | st.sampled_from(Disposition))
    def answer(self, data: st.DataObject, disposition: Disposition | None) -> None:
        names = sorted(self.made.state.investigations)
        name = data.draw(st.sampled_from(names), label="investigation")
        if disposition is None:
            self.ask(LinkInvestigation(investigation=name, work=self.some_work(data)))
        else:
            self.ask(GiveDisposition(investigation=name, disposition=disposition, why="found"))

    @rule(relay=RELAYS, version=VERSIONS)
    def enter(self, relay: str, version: str) -> None:
        self.ask(entered(relay, {"vendor": "Tarn", "swRev": version}, self.made.now))

    # Relays.

    @rule(relay=RELAYS, version=VERSIONS, serial=SERIALS, paramRev=PARAMETERS, ago=MINUTES)
    def believe(self, relay: str, version: str, serial: str, paramRev: str, ago: int) -> None:
        first = self.made.now - timedelta(minutes=ago)
        told = plate(version, serial=serial, paramRev=paramRev)
        self.made.believe(told, relay, first_new_at=first)

    @rule(relay=RELAYS)
    def reread(self, relay: str) -> None:
        self.made.reread(relay)

    @rule(relay=RELAYS, answering=st.booleans())
    def answer_or_not(self, relay: str, answering: bool) -> None:
        silent = Silent(last_answer_at=None, reason="no reply")
        self.made.tell(Answering() if answering else silent, relay)

    # The clock.

    @rule(minutes=MINUTES)
    def wait(self, minutes: int) -> None:
        self.made.wait(minutes=minutes)

    @rule(minutes=st.sampled_from((-60, -1, 1, 60)))
    def set_clock(self, minutes: int) -> None:
        self.made.step_clock(timedelta(minutes=minutes))
        self.ended.clear()  # its times are told anew

    # As it mostly goes: chance alone seldom comes so far.

    @precondition(lambda self: self.made.state.works)
    @rule(data=st.data())
    def prepare(self, data: st.DataObject) -> None:
        name = self.some_work(data)
        for relay in ("q07-main1", "q07-main2", "q08-main1"):
            self.made.tell(Answering(), relay)
        self.ask(AcceptBaseline(relays=(self.made.work(name).plan.relay,), why="looked at"))
        self.made.now += timedelta(minutes=1)
        for kind in (NoteKind.READ_BACK, NoteKind.PARTNER_TRIPS):
            self.ask(NoteWork(work=name, note=kind, text="noted"))
        self.made.wait(minutes=1)

    @precondition(lambda self: self.made.state.works)
    @rule(data=st.data(), fate=FATES)
    def happen(self, data: st.DataObject, fate: str) -> None:
        """The relay of some work tells something, whoever did it."""
        plan = self.made.work(self.some_work(data)).plan
        values = dict(plan.before)
        if fate == "as planned":
            values |= plan.expects
        elif fate == "other":
            values |= {"swRev": "V2.12"}
        told = plate(values["swRev"], serial=values["serNum"], paramRev=values["paramRev"])
        self.made.believe(told, plan.relay, first_new_at=self.made.now)

    @precondition(lambda self: self.made.state.works)
    @rule(data=st.data(), fate=FATES)
    def carry_out(self, data: st.DataObject, fate: str) -> None:
        """A whole piece of work, but for its end."""
        name = self.some_work(data)
        self.ask(StartWork(work=name, although="now"))
        if self.made.work(name).state != WorkState.UNDER_WAY:
            return
        self.made.now += timedelta(minutes=20)
        self.ask(EndWork(work=name))
        relay = self.made.work(name).plan.relay
        self.made.tell(Answering(), relay)
        self.happen(data, fate)
        self.made.reread(relay)
        self.made.wait(seconds=5)
        self.made.wait(minutes=31)
        self.ask(NoteWork(work=name, note=NoteKind.TESTED, text="tripped"))
        self.made.attend()

    # What must hold.

    @invariant()
    def open_work_never_overlaps(self) -> None:
        works = [one for one in self.made.state.works.values() if one.state not in ENDED]
        for one, other in itertools.combinations(works, 2):
            if one.plan.relay == other.plan.relay:
                a, b = sorted((one.plan, other.plan), key=lambda plan: plan.start)
                assert a.end <= b.start

    @invariant()
    def a_relay_has_one_piece_of_work_in_hand(self) -> None:
        in_hand = [
            one.plan.relay
            for one in self.made.state.works.values()
            if one.state in (WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY)
        ]
        assert len(in_hand) == len(set(in_hand))

    @invariant()
    def what_has_ended_stays_as_it_is(self) -> None:
        for name, work in self.made.state.works.items():
            if work.state in ENDED:
                assert self.ended.setdefault(name, work) == work

    @invariant()
    def tries_have_an_end(self) -> None:
        assert all(one.tries <= limits.WORK_TRIES_MAX for one in self.made.state.works.values())

    @invariant()
    def verified_is_proven_and_tested(self) -> None:
        for work in self.made.state.works.values():
            if work.state == WorkState.VERIFIED:
                assert work.proven
                assert work.noted(NoteKind.TESTED) is not None
                assert all(line.ok for line in work.lines)

    @invariant()
    def moves_go_along_the_table_and_people_make_their_own(self) -> None:
        told = self.made.events[self.looked_at :]
        self.looked_at = len(self.made.events)
        for event in told:
            if isinstance(event.body, ev.WorkMoved):
                assert (event.body.before, event.body.after) in LEADS
                assert (event.body.after in ONLY_PEOPLE) == (event.by is not None)
            if isinstance(event.body, ev.DispositionGiven | ev.RuleOverridden):
                assert event.by is not None

    def teardown(self) -> None:
        if not hasattr(self, "made"):
            return
        events = list(enumerate(self.made.journal, 1))
        replayed = fold(Desk().state, events)
        assert replayed == self.made.state
        # from a snapshot in the middle, and through bytes, as after a restart
        half = len(events) // 2
        kept = encode(plain(fold(Desk().state, events[:half])))
        again = adapter(State).validate_json(kept)
        assert fold(again, events[half:]) == self.made.state
        states: dict[str, WorkState] = {}
        for event in self.made.journal:
            if isinstance(event.body, ev.WorkMoved):
                before = states.get(event.body.work, WorkState.PLANNED)
                assert event.body.before == before
                states[event.body.work] = event.body.after


Book.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestBook = Book.TestCase
