"""One position: as accepted beside as read, and what the report tells of it."""

from __future__ import annotations

from poller.answers.evidence import report
from poller.answers.words import position
from poller.model.attribute_words import attribute
from poller.model.nameplate import flat
from poller.model.standing import Relay, State, baseline_word
from poller.model.standing import shown as present
from poller.model.text import shown


def relay_part(
    state: State,
    name: str,
    *,
    baselines: tuple[report.Baseline, ...],
    changes: tuple[report.Change, ...],
    readings: tuple[report.Reading, ...],
    coverage: report.Coverage,
) -> report.RelayPart:
    relay = state.relays[name]
    return report.RelayPart(
        id=name,
        position=position(name, state),
        address=shown(relay.address),
        listed=relay.listed,
        word=baseline_word(relay),
        by_hand=relay.nameplate is None and relay.manual is not None,
        lines=_lines(relay),
        baselines=baselines,
        changes=changes,
        readings=readings,
        coverage=coverage,
    )


def _lines(relay: Relay) -> tuple[report.Line, ...]:
    plate = present(relay)
    accepted = {} if relay.baseline is None else flat(relay.baseline.nameplate)
    now = {} if plate is None else flat(plate)
    names = list(dict.fromkeys((*accepted, *now)))
    return tuple(
        report.Line(
            name=shown(name),
            says=attribute(name),
            accepted=shown(accepted[name]) if name in accepted else None,
            present=shown(now[name]) if name in now else None,
        )
        for name in names
    )
