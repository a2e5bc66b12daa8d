"""Events in, the parts of the report out. Of the journal nothing is held but what becomes a row."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from poller.answers.evidence import covering, report, rows
from poller.answers.evidence.changes import Around, Draft, told
from poller.answers.evidence.configuration import UNKNOWN, Loaded
from poller.answers.evidence.covering import Covering
from poller.answers.evidence.relay import relay_part
from poller.answers.evidence.works import Steps
from poller.answers.listing import natural
from poller.model import events as ev
from poller.model import limits
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.work import Work, by_number
from poller.state import fold

ABOUT_WORK: Final = (
    "work_added",
    "work_moved",
    "work_noted",
    "rule_overridden",
    "verification_checked",
)
ENTERED: Final = (
    "evaluation_entered",
    "exception_given",
    "exception_ended",
    "bulletin_added",
    "bulletin_closed",
)
POLLER: Final = ("service_started", "service_stopped", "clock_stepped")
FOLDED: Final = ("nameplate_first_read", "investigation_linked", "disposition_given")


@dataclass(slots=True)
class Gathering:
    """state: before the first event that is given. first_seq: of the first event of the span."""

    span: report.Span
    first_seq: int
    state: State
    loaded: list[Loaded] = field(default_factory=list)
    held: int = 0
    _covering: Covering = field(init=False)
    _before: dict[str, report.Baseline] = field(default_factory=dict)
    _baselines: dict[str, list[report.Baseline]] = field(default_factory=lambda: defaultdict(list))
    _drafts: list[Draft] = field(default_factory=list)
    _last: dict[str, Draft] = field(default_factory=dict)
    _readings: dict[str, list[report.Reading]] = field(default_factory=lambda: defaultdict(list))
    _steps: Steps = field(default_factory=Steps)
    _works: dict[str, Work] = field(default_factory=dict)
    _checks: list[tuple[int, ev.Event, ev.PackageChecked]] = field(default_factory=list)
    _entered: list[tuple[int, ev.Event]] = field(default_factory=list)
    _poller: list[tuple[int, ev.Event]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._covering = Covering(self.span, self.state)
        for name, relay in self.state.relays.items():
            one = relay.baseline
            if one is not None:
                self._before[name] = rows.baseline(
                    None, one.at, one.by, one.why, one.reference, one.nameplate, before=True
                )

    def take(self, batch: Sequence[ev.Recorded]) -> None:
        """Of KINDS, some at a time. Raises Refusal where the span has more than a report holds."""
        touched = set()
        for one in batch:
            body: Any = one.event.body
            self._covering.take(one.event)
            if body.kind in ABOUT_WORK:
                in_span = one.seq >= self.first_seq
                touched.add(self._steps.take(one.seq, one.event, in_span=in_span))
            elif body.kind in ROWS:
                ROWS[body.kind](self, one.seq, one.event, body)
            elif body.kind in ENTERED and self._row(one.seq):
                self._entered.append((one.seq, one.event))
            elif body.kind in POLLER and self._row(one.seq):
                self._poller.append((one.seq, one.event))
        # evidence tells times as they were recorded: a clock that was set moves none of them
        told = [one for one in batch if one.event.body.kind != ev.ClockStepped.kind]
        self.state = fold(self.state, ((one.seq, one.event) for one in told))
        # now: the state drops the oldest that have ended
        self._works |= {
            name: self.state.works[name]
            for name in touched & self._steps.in_span.keys() & self.state.works.keys()
        }
        if self.held + self._steps.held > limits.EVIDENCE_ROWS_MAX:
            raise Refusal(
                f"more than {limits.EVIDENCE_ROWS_MAX:,} rows in this span: give a shorter one, "
                "for example a quarter"
            )

    @property
    def asset_classes(self) -> tuple[str, ...]:
        """In force in the span, in order."""
        return tuple(dict.fromkeys(one.asset_class for one in self.loaded)) or (UNKNOWN,)

    def relays(self) -> tuple[report.RelayPart, ...]:
        """Call it once, after the last event."""
        changed: dict[str, list[report.Change]] = defaultdict(list)
        around = self._around()
        for draft in self._drafts:
            changed[draft.event.subject].append(told(draft, around))
        found = []
        for name in self.state.relays:
            coverage = self._covering.of(name).coverage(self.asset_classes)
            if not coverage.listed and name not in changed and name not in self._readings:
                continue
            before = [self._before[name]] if name in self._before else []
            found.append(
                relay_part(
                    self.state,
                    name,
                    baselines=(*before, *self._baselines[name]),
                    changes=tuple(changed[name]),
                    readings=tuple(self._readings[name]),
                    coverage=coverage,
                )
            )
        return tuple(sorted(found, key=lambda one: self._place(one.id)))

    def works(self) -> tuple[report.WorkPart, ...]:
        names = sorted(self._works, key=by_number)
        return tuple(self._steps.part(self._works[name], self.state) for name in names)

    def packages(self) -> tuple[report.Package, ...]:
        return tuple(
            rows.package(seq, event, body, self.state)
            for seq, event, body in self._checks
            if seq >= self.first_seq
        )

    def entered(self) -> tuple[report.Told, ...]:
        return tuple(rows.told(seq, event, self.state) for seq, event in self._entered)

    def poller(self) -> tuple[report.Told, ...]:
        return tuple(rows.told(seq, event, self.state) for seq, event in self._poller)

    def _around(self) -> Around:
        return Around(
            state=self.state,
            works={**self.state.works, **self._works},
            accepted={name: [one.at for one in found] for name, found in self._baselines.items()},
            packages=[(event, body) for _, event, body in self._checks],
            asset_classes=self.asset_classes,
            end=self.span.last,
        )

    def _place(self, name: str) -> tuple[Any, ...]:
        relay = self.state.relays[name]
        return natural(relay.bay), natural(relay.function), name

    def _row(self, seq: int) -> bool:
        """Whether it is in the span; what is held of it is counted."""
        self.held += seq >= self.first_seq
        return seq >= self.first_seq

    # What becomes a row, by kind.

    def _baseline_accepted(self, seq: int, event: ev.Event, body: ev.BaselineAccepted) -> None:
        now = self._row(seq)
        one = rows.baseline(
            seq, event.at, event.by, body.why, body.reference, body.nameplate, before=not now
        )
        if now:
            self._baselines[event.subject].append(one)
        else:
            self._before[event.subject] = one

    def _nameplate_changed(self, seq: int, event: ev.Event, body: ev.NameplateChanged) -> None:
        if not self._row(seq):
            return
        draft = Draft(
            seq=seq,
            event=event,
            change=body.change,
            changes=body.changes,
            since=body.last_old_at,
            read_at=body.first_new_at,
            work=body.work,
        )
        self._drafts.append(draft)
        self._last[event.subject] = draft

    def _investigation_opened(
        self, seq: int, event: ev.Event, body: ev.InvestigationOpened
    ) -> None:
        """It follows the change that it is about; where there is none, a person read it."""
        last = self._last.pop(event.subject, None)
        if last is not None and last.changes == body.changes:
            last.investigation = body.investigation
        elif self._row(seq):
            draft = Draft(
                seq=seq,
                event=event,
                change=body.change,
                changes=body.changes,
                since=None,
                read_at=event.at,
                by_hand=True,
                investigation=body.investigation,
            )
            self._drafts.append(draft)

    def _reading_entered(self, seq: int, event: ev.Event, body: ev.ReadingEntered) -> None:
        now = self._row(seq)
        self._covering.of(event.subject).by_hand(body.read_at.date(), in_span=now)
        if now:
            self._readings[event.subject].append(rows.reading(seq, event, body))

    def _package_checked(self, seq: int, event: ev.Event, body: ev.PackageChecked) -> None:
        self._checks.append((seq, event, body))
        if not self._row(seq):
            self._checks = self._checks[-limits.PACKAGES_KEPT :]

    def _site_loaded(self, seq: int, event: ev.Event, body: ev.SiteLoaded) -> None:
        now = self._row(seq)
        one = Loaded(seq, event.at, body.sha256, body.files)
        # of those before the span only the last was in force in it
        self.loaded = [*self.loaded, one] if now else [one]
        for old in self.loaded[: -limits.EVIDENCE_CONFIGURATIONS_MAX]:
            old.forget()


ROWS: Final[dict[str, Callable[[Gathering, int, ev.Event, Any], None]]] = {
    "baseline_accepted": Gathering._baseline_accepted,
    "nameplate_changed": Gathering._nameplate_changed,
    "investigation_opened": Gathering._investigation_opened,
    "reading_entered": Gathering._reading_entered,
    "package_checked": Gathering._package_checked,
    "site_loaded": Gathering._site_loaded,
}
KINDS: Final = tuple(
    dict.fromkeys((*covering.STEPS, *ABOUT_WORK, *ENTERED, *POLLER, *FOLDED, *ROWS))
)
"""What a report is made of, in the order of the journal, from its oldest event on."""
