"""Events as rows of the report."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from poller.answers.due_words import SIGNATURE
from poller.answers.evidence import report
from poller.answers.sentences import sentence
from poller.answers.words import position, what
from poller.model import events as ev
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.nameplate import Nameplate
from poller.model.standing import State
from poller.model.text import shown

NOBODY: Final = "nobody named"


def baseline(
    seq: int | None,
    at: datetime,
    by: str | None,
    why: str,
    reference: str | None,
    nameplate: Nameplate,
    *,
    before: bool,
) -> report.Baseline:
    return report.Baseline(
        seq=seq,
        at=at,
        by=shown(by or NOBODY),
        why=shown(why, limits.REASON_MAX),
        reference=shown(reference or ""),
        what=what(nameplate),
        in_force_before=before,
    )


def package(seq: int, event: ev.Event, body: ev.PackageChecked, state: State) -> report.Package:
    return report.Package(
        seq=seq,
        at=event.at,
        by=shown(event.by or NOBODY),
        file=shown(body.file),
        size=body.size,
        sha256=shown(body.sha256),
        rule=shown(body.rule),
        version=shown(body.version),
        signature=SIGNATURE[body.signature],
        source=shown(body.source, limits.REASON_MAX),
        relays=tuple(position(name, state) for name in body.relays),
        against=tuple(shown(one, limits.REASON_MAX) for one in body.against),
    )


def told(seq: int, event: ev.Event, state: State) -> report.Told:
    by = "" if event.by is None else shown(event.by)
    return report.Told(seq=seq, at=event.at, by=by, says=sentence(event, state))


def reading(seq: int, event: ev.Event, body: ev.ReadingEntered) -> report.Reading:
    return report.Reading(
        seq=seq,
        at=event.at,
        read_at=body.read_at,
        by=shown(event.by or NOBODY),
        reference=shown(body.reference or ""),
        values=tuple((attribute(name), shown(text)) for name, text in sorted(body.values.items())),
    )
