"""Planned work of the span: its plan, each step with who and why, and its verification."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from poller.answers.evidence import report
from poller.answers.words import position
from poller.answers.work_words import NOTE, STATE, line_says, meant, state_says, window
from poller.model import limits
from poller.model.events import Event, RuleOverridden, WorkAdded, WorkMoved, WorkNoted
from poller.model.standing import State
from poller.model.text import shown
from poller.model.work import ENDED, Line, SettingsFile, Work
from poller.work.line_names import TEST
from poller.work.verification import functional_test


@dataclass(slots=True)
class Steps:
    """Of work that did not end before the span. in_span: the works of which it tells anything."""

    in_span: dict[str, None] = field(default_factory=dict)
    _steps: dict[str, deque[report.Step]] = field(default_factory=dict)
    _ever: Counter[str] = field(default_factory=Counter)

    @property
    def held(self) -> int:
        return sum(map(len, self._steps.values()))

    def take(self, seq: int, event: Event, *, in_span: bool) -> str:
        """The id of the work that it is about."""
        body: Any = event.body
        work: str = body.work
        if in_span:
            self.in_span[work] = None
        if isinstance(body, WorkMoved) and body.after in ENDED and not in_span:
            self._steps.pop(work, None)
            return work
        says = _says(body)
        if says:
            steps = self._steps.setdefault(work, deque(maxlen=limits.EVIDENCE_STEPS_MAX))
            by = "" if event.by is None else shown(event.by)
            steps.append(report.Step(seq=seq, at=event.at, by=by, says=says))
            self._ever[work] += 1
        return work

    def part(self, work: Work, state: State) -> report.WorkPart:
        steps = tuple(self._steps.get(work.id, ()))
        return report.WorkPart(
            id=work.id,
            relay=work.plan.relay,
            position=position(work.plan.relay, state),
            meant=meant(work.plan.kind, work.plan.expects),
            settings=_settings(work.plan.settings),
            window=window(work.plan),
            reference=shown(work.plan.reference or ""),
            entered_at=work.entered_at,
            entered_by=shown(work.by or "nobody named"),
            state=state_says(work),
            steps=steps,
            steps_more=self._ever[work.id] - len(steps),
            lines=tuple(
                report.Checked(
                    says=line_says(line.name),
                    expected=shown(line.expected),
                    read=None if line.read is None else shown(line.read),
                    at=line.at,
                    ok=line.ok,
                )
                for line in (
                    functional_test(work) if one.name == TEST else one for one in work.lines
                )
            ),
        )


def _lines(work: Work) -> Iterator[Line]:
    """As last checked; a note moves that of the test, checked or not."""
    for line in work.lines:
        yield functional_test(work) if line.name == TEST else line


def _settings(one: SettingsFile | None) -> str:
    """The file that the work loads, by its digest before and after conversion."""
    if one is None:
        return ""
    after = "" if one.sha256_after is None else f", converted {shown(one.sha256_after)}"
    by = "nobody" if one.reviewed_by is None else shown(one.reviewed_by)
    return f"{shown(one.name)}, SHA-256 {shown(one.sha256_before)}{after}; reviewed by {by}"


def _says(body: Any) -> str:
    match body:
        case WorkAdded():
            return "planned"
        case WorkMoved():
            why = f": {shown(body.why, limits.REASON_MAX)}" if body.why else ""
            return f"{STATE[body.before]} → {STATE[body.after]}{why}"
        case WorkNoted():
            return f"{NOTE[body.note]}: {shown(body.text, limits.REASON_MAX)}"
        case RuleOverridden():
            rule, says = shown(body.rule), shown(body.says, limits.REASON_MAX)
            return f"decided against rule {rule} ({says}): {shown(body.why, limits.REASON_MAX)}"
    return ""  # a verification: its last lines are told
