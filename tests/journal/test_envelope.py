"""Event to stored bytes and back; lifts; what must not be read."""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass
from typing import Any, ClassVar

import pytest
from hypothesis import given

from poller.journal import envelope
from poller.journal.envelope import NotStorable, UnknownKind, Unreadable
from poller.model import events as ev
from poller.model import limits
from poller.model.canonical import encode
from poller.model.nameplate import Nameplate
from tests.journal.made import ANY_EVENT, T0, event, listed

STORED = envelope.write(7, "j-7", listed("q07-main-1"))


def altered(**changes: Any) -> bytes:
    return encode(json.loads(STORED) | changes)


@given(ANY_EVENT)
def test_every_kind_is_read_back_as_it_was(made: ev.Event) -> None:
    assert envelope.read(envelope.write(7, "j-7", made), "00").event == made


@given(event("pruned"))
def test_pruned_is_read_back_as_it_was(made: ev.Event) -> None:
    assert envelope.read(envelope.write(7, "j-7", made), "00").event == made


def test_the_envelope_as_it_is_stored() -> None:
    assert STORED.decode() == (
        '{"at":"2026-03-01T04:05:06.789Z",'
        '"body":{"address":"127.1.0.1:502/255","bay":"Q07","function":"main 1"},'
        '"by":null,"cause":null,"id":"j-7","kind":"relay_listed","seq":7,'
        '"subject":"q07-main-1","v":1}'
    )


UNREADABLE = {
    "no JSON": STORED[:-1],
    "no JSON: 1.5": STORED.replace(b'"seq":7', b'"seq":1.5'),
    "no JSON: NaN": STORED.replace(b'"seq":7', b'"seq":NaN'),
    "no JSON: maximum recursion": b"[" * 100_000,
    "not the keys": altered(extra=1),
    "seq is of a wrong type": altered(seq="7"),
    "v is of a wrong type": altered(v=True),
    "body is of a wrong type": altered(body=[]),
    "cause is of a wrong type": altered(cause=1),
    "bay: Field required": altered(body={"address": "a", "function": "f"}),
    "colour: Unexpected keyword": altered(
        body={"address": "a", "bay": "b", "function": "f", "colour": "red"}
    ),
    "no offset": altered(at="2026-03-01T04:05:06"),
}


@pytest.mark.parametrize("told", UNREADABLE)
def test_what_is_unreadable_is_told(told: str) -> None:
    with pytest.raises(Unreadable, match=told):
        envelope.read(UNREADABLE[told], "00")


def test_an_unknown_key_deep_in_a_body_is_refused() -> None:
    body = {
        "nameplate": {"swRev": "1", "colour": "red"},
        "map": "m",
        "first_new_at": T0.isoformat(),
    }
    with pytest.raises(Unreadable, match=r"nameplate\.colour"):
        envelope.read(altered(kind="nameplate_first_read", body=body), "00")


@pytest.mark.parametrize(("kind", "v"), [("relay_painted", 1), ("relay_listed", 2)])
def test_an_unknown_kind_names_kind_version_and_place(kind: str, v: int) -> None:
    with pytest.raises(UnknownKind) as told:
        envelope.read(altered(kind=kind, v=v), "00")
    assert str(told.value) == (
        f"event 7 is a {kind} of version {v}, which this Bayroll does not know: "
        "a newer Bayroll wrote it"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Painted3(ev.Body):
    """Made up. Version 1 said colour, version 2 a list of them, version 3 says where too."""

    kind: ClassVar[str] = "relay_painted"
    v: ClassVar[int] = 3
    colours: tuple[str, ...]
    where: str


def test_an_old_version_is_lifted_step_by_step() -> None:
    lifts: dict[tuple[str, int], envelope.Lift] = {
        ("relay_painted", 1): lambda body: {"colours": [body["colour"]]},
        ("relay_painted", 2): lambda body: body | {"where": "all over"},
    }
    stored = altered(kind="relay_painted", v=1, body={"colour": "red"})
    recorded = envelope.read(stored, "00", kinds={("relay_painted", 3): Painted3}, lifts=lifts)
    assert recorded.event.body == Painted3(colours=("red",), where="all over")


def test_lifting_leaves_the_stored_bytes_alone() -> None:
    lifts: dict[tuple[str, int], envelope.Lift] = {
        ("relay_painted", 2): lambda body: body | {"where": "all over"}
    }
    stored = altered(kind="relay_painted", v=2, body={"colours": []})
    recorded = envelope.read(stored, "00", kinds={("relay_painted", 3): Painted3}, lifts=lifts)
    assert recorded.stored == stored


def test_an_optional_field_may_be_missing_in_what_is_older() -> None:
    body = {"nameplate": {}, "why": "commissioned"}  # without reference
    recorded = envelope.read(altered(kind="baseline_accepted", body=body), "00")
    assert recorded.event.body == ev.BaselineAccepted(nameplate=Nameplate(), why="commissioned")


def test_an_event_too_long_is_not_stored() -> None:
    body = ev.ServiceStopped(reason="x" * limits.EVENT_BYTES_MAX)
    with pytest.raises(NotStorable, match="service_stopped"):
        envelope.write(1, "j-1", dataclasses.replace(listed("a"), body=body))


def test_every_lift_leads_to_a_kind_that_is_known() -> None:
    for kind, v in envelope.LIFTS:
        assert (kind, v + 1) in ev.KINDS or (kind, v + 1) in envelope.LIFTS
