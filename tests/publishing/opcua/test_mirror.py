"""What the OPC UA process is told: every move of an alarm, and relays as they are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import AlarmState, Audience, Inhibit, Priority
from poller.model.standing import State
from poller.publishing.opcua.mirror import Mirror
from poller.state import fold
from tests.publishing.world import (
    Q07,
    Q08,
    SILENT,
    T0,
    alarmed,
    changed,
    delisted,
    event,
    first_read,
    listed,
    seen,
)

B, C, A = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL
SEVERITIES = {Priority.HIGH: 834, Priority.MEDIUM: 500, Priority.LOW: 167}


class Told:
    """A mirror over a journal of its own; each tell() is one delivery."""

    def __init__(self, *before: ev.Event) -> None:
        self.mirror = Mirror("Tarn Hill", SEVERITIES)
        self.state = State()
        self.records: list[ev.Recorded] = []
        self._commit(before)

    def _commit(self, events: Sequence[ev.Event]) -> list[ev.Recorded]:
        seqs = range(self.state.seq + 1, self.state.seq + 1 + len(events))
        pairs = list(zip(seqs, events, strict=True))
        self.state = fold(self.state, pairs)
        fresh = [ev.Recorded(id=str(n), seq=n, event=one, hash="", stored=b"") for n, one in pairs]
        self.records += fresh
        return fresh

    def tell(self, *events: ev.Event) -> list[dict[str, Any]]:
        return list(self.mirror.bring_up(self._commit(events), self.state))


def kinds(messages: Sequence[dict[str, Any]]) -> list[str]:
    return [one["do"] for one in messages]


def conditions(messages: Sequence[dict[str, Any]]) -> list[tuple[str, bool, bool]]:
    """Source, active, acknowledged of each condition in the messages."""
    found = [one["condition"] for one in messages if one["do"] == "condition"]
    return [(one["source"], one["active"], one["acked"]) for one in found]


def test_it_is_told_everything_first_and_then_what_changes() -> None:
    one = Told(listed(), first_read(), alarmed())
    assert kinds(one.tell()) == ["relay", "condition", "up_to"]
    assert kinds(one.tell(seen(1))) == ["up_to"]
    assert kinds(one.tell(changed("2.0"))) == ["relay", "up_to"]


def test_no_move_between_two_deliveries_is_left_out() -> None:
    one = Told(listed())
    one.tell()
    moves = one.tell(alarmed(B), alarmed(C, by="J. Kral", comment="seen"), alarmed(A))
    assert conditions(moves) == [(Q07, True, False), (Q07, True, True), (Q07, False, True)]


def test_what_is_given_again_is_not_told_again() -> None:
    one = Told(listed())
    one.tell()
    one.tell(alarmed(B))
    assert kinds(list(one.mirror.bring_up(one.records, one.state))) == ["up_to"]


def test_a_state_that_is_ahead_of_its_events_is_no_reason_to_go_back() -> None:
    one = Told(listed(), alarmed(B), alarmed(A))
    first = list(one.mirror.bring_up(one.records[:2], one.state))
    assert conditions(first) == [(Q07, False, True)]
    assert first[-1] == {"do": "up_to", "seq": 3}
    assert kinds(list(one.mirror.bring_up(one.records[2:], one.state))) == ["up_to"]


def test_past_a_gap_alarms_are_told_as_they_are() -> None:
    one = Told(listed())
    one.tell()
    one._commit([alarmed(B), seen(1)])
    messages = one.tell(seen(2))
    assert conditions(messages) == [(Q07, True, False)]
    assert messages[-1] == {"do": "up_to", "seq": 4}


def test_conditions_of_a_relay_that_is_delisted_hang_on_the_site() -> None:
    one = Told(listed(), alarmed(B))
    one.tell()
    gone = one.tell(delisted())
    assert kinds(gone) == ["condition", "no_relay", "up_to"]
    assert conditions(gone) == [("", True, False)]
    assert gone[0]["condition"]["source_name"] == "Tarn Hill"
    assert conditions(one.tell(listed())) == [(Q07, True, False)]


def test_a_notice_is_no_condition_and_takes_away_the_one_it_was() -> None:
    one = Told(listed(), alarmed(B, audience=(Audience.ENGINEERING_NOTICE,)))
    assert "condition" not in kinds(one.tell())
    two = Told(listed(), alarmed(B))
    two.tell()
    rated = ev.AlarmRated(
        alarm=SILENT, audience=(Audience.ENGINEERING_NOTICE,), priority=Priority.LOW
    )
    assert two.tell(event(rated))[0] == {"do": "no_condition", "alarm": SILENT}


def test_what_the_book_drops_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "ALARMS_KEPT", 1)
    one = Told(listed(), alarmed(B), alarmed(A))
    one.tell()
    dropped = one.tell(alarmed(B, alarm=f"{Q07}.replaced"))
    assert {"do": "no_condition", "alarm": SILENT} in dropped


def test_a_clock_that_is_set_moves_the_end_of_shelving() -> None:
    shelved = ev.AlarmInhibited(
        alarm=SILENT, entry="silent", inhibit=Inhibit.SHELVED, until=T0, why="crew"
    )
    one = Told(listed(), event(shelved))
    one.tell()
    moved = one.tell(event(ev.ClockStepped(by_ms=60_000)))
    assert moved[0]["condition"]["shelved_until"] == "2026-03-01T04:06:06.789Z"


def test_one_relay_is_told_without_the_others() -> None:
    one = Told(listed(), listed(Q08))
    one.tell()
    told = one.tell(first_read())
    assert [one["relay"]["relay"] for one in told if one["do"] == "relay"] == [Q07]
