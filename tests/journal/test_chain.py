"""The chain alone: links, and the first broken event of rows that were tampered with."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.journal import chain
from poller.journal.chain import Broken, Row, Verified
from poller.journal.ports import Head
from poller.model import events as ev
from tests.journal.made import T0, histories, story

RECORDED = chain.record("j", chain.START, story(6))
ROWS = [chain.row(one) for one in RECORDED]
LAST = Head(seq=6, hash=RECORDED[-1].hash)


def relinked(rows: list[Row]) -> list[Row]:
    """With hashes that fit, as someone who knows the chain would make them."""
    previous, out = bytes(32), []
    for row in rows:
        previous = chain.link(previous, row.stored)
        out.append(replace(row, hash=previous))
    return out


def test_the_first_hash_covers_32_zero_bytes_and_the_event() -> None:
    assert RECORDED[0].hash == hashlib.sha256(bytes(32) + RECORDED[0].stored).hexdigest()


def test_each_hash_covers_the_one_before() -> None:
    previous = bytes.fromhex(RECORDED[0].hash)
    assert RECORDED[1].hash == hashlib.sha256(previous + RECORDED[1].stored).hexdigest()


@given(histories(), st.integers(min_value=0, max_value=30))
def test_recording_in_two_batches_or_one_is_the_same(events: list[ev.Event], cut: int) -> None:
    first = chain.record("j", chain.START, events[:cut])
    head = Head(seq=first[-1].seq, hash=first[-1].hash) if first else chain.START
    whole = chain.record("j", chain.START, events)
    assert first + chain.record("j", head, events[cut:]) == whole


def test_whole_rows_verify() -> None:
    assert chain.verify(ROWS) == Verified(head=LAST, count=6)


def test_nothing_verifies() -> None:
    assert chain.verify([]) == Verified(head=chain.START, count=0)


@given(st.integers(0, 5), st.data())
def test_a_changed_byte_is_named(index: int, data: st.DataObject) -> None:
    stored = bytearray(ROWS[index].stored)
    place = data.draw(st.integers(0, len(stored) - 1))
    stored[place] ^= data.draw(st.integers(1, 255))
    rows = [*ROWS[:index], replace(ROWS[index], stored=bytes(stored)), *ROWS[index + 1 :]]
    broken = chain.verify(rows)
    assert isinstance(broken, Broken)
    assert broken.seq == index + 1


Tamper = Callable[[list[Row]], list[Row]]
TAMPERED: dict[str, tuple[int, str, Tamper]] = {
    "one taken out": (3, "missing; 4 follows", lambda r: r[:2] + r[3:]),
    "the first taken out": (1, "missing; 2 follows", lambda r: r[1:]),
    "two swapped": (3, "missing", lambda r: [*r[:2], r[3], r[2], *r[4:]]),
    "one twice": (4, "missing; 3 follows", lambda r: [*r[:3], r[2], *r[3:]]),
    "a hash": (2, "bytes or its hash", lambda r: [r[0], replace(r[1], hash=bytes(32)), *r[2:]]),
    "a hash cut short": (
        2,
        "bytes or its hash",
        lambda r: [r[0], replace(r[1], hash=r[1].hash[:31]), *r[2:]],
    ),
    "the column at": (
        2,
        "column at",
        lambda r: [r[0], replace(r[1], at="2026-03-02T04:05:06.788Z"), *r[2:]],
    ),
    "the column kind": (2, "column kind", lambda r: [r[0], replace(r[1], kind="x"), *r[2:]]),
    "the column subject": (
        2,
        "column subject",
        lambda r: [r[0], replace(r[1], subject=""), *r[2:]],
    ),
    "one moved up, relinked": (
        2,
        "column seq says 2",
        lambda r: relinked([r[0], *(replace(row, seq=row.seq - 1) for row in r[2:])]),
    ),
    "another id, relinked": (
        1,
        "id 'j-9'",
        lambda r: relinked([replace(r[0], stored=r[0].stored.replace(b"j-1", b"j-9")), *r[1:]]),
    ),
    "no JSON, relinked": (
        2,
        "no JSON",
        lambda r: relinked([r[0], replace(r[1], stored=b"{"), *r[2:]]),
    ),
}


@pytest.mark.parametrize("what", TAMPERED)
def test_tampering_is_named_at_the_first_broken_event(what: str) -> None:
    seq, reason, tamper = TAMPERED[what]
    broken = chain.verify(tamper(list(ROWS)))
    assert isinstance(broken, Broken)
    assert (broken.seq, reason in broken.reason) == (seq, True), broken
    assert broken.kept.seq == seq - 1


def test_a_tail_cut_off_verifies_without_a_noted_head() -> None:
    assert isinstance(chain.verify(ROWS[:4]), Verified)


HEADS = {
    "the last": (LAST, None),
    "one that others followed": (Head(seq=3, hash=RECORDED[2].hash), None),
    "before the first": (chain.START, None),
    "another hash": (Head(seq=3, hash="ab" * 32), (3, "not the one that was noted")),
    "a tail cut off": (Head(seq=8, hash="ab" * 32), (7, "ends at 6; 8 was noted")),
}


@pytest.mark.parametrize("what", HEADS)
def test_against_a_noted_head(what: str) -> None:
    head, expected = HEADS[what]
    result = chain.verify(ROWS, head)
    if expected is None:
        assert isinstance(result, Verified)
    else:
        assert isinstance(result, Broken)
        assert (result.seq, expected[1] in result.reason) == (expected[0], True), result


def pruned_rows(last_hash: str) -> tuple[list[Row], Head]:
    """Events 4 to 6 and a seventh that says that 1 to 3 were pruned."""
    body = ev.Pruned(first_seq=1, last_seq=3, counts={}, last_hash=last_hash, base="{}")
    told = chain.record("j", LAST, [ev.Event(at=T0, subject="", body=body)])
    return [*ROWS[3:], chain.row(told[0])], Head(seq=3, hash=RECORDED[2].hash)


def test_a_pruned_chain_verifies_from_where_it_starts() -> None:
    rows, start = pruned_rows(RECORDED[2].hash)
    result = chain.verify(rows, start=start)
    assert isinstance(result, Verified)
    assert result.count == 4


PRUNED_HEADS = {
    "the last that was pruned": (Head(seq=3, hash=RECORDED[2].hash), None),
    "the same, another hash": (Head(seq=3, hash="ab" * 32), "not the one that was noted"),
    "one that is long gone": (Head(seq=2, hash=RECORDED[1].hash), "pruned since"),
}


@pytest.mark.parametrize("what", PRUNED_HEADS)
def test_a_noted_head_against_a_pruned_chain(what: str) -> None:
    head, reason = PRUNED_HEADS[what]
    rows, start = pruned_rows(RECORDED[2].hash)
    result = chain.verify(rows, head, start)
    assert isinstance(result, Verified) if reason is None else reason in result.reason  # type: ignore[union-attr]


def test_a_start_that_no_event_tells_of_is_broken() -> None:
    start = Head(seq=3, hash=RECORDED[2].hash)
    broken = chain.verify(ROWS[3:], start=start)
    assert isinstance(broken, Broken)
    assert (broken.seq, "no event says" in broken.reason) == (4, True)


def test_a_start_that_the_pruned_event_tells_otherwise_is_broken() -> None:
    rows, start = pruned_rows("ab" * 32)
    assert isinstance(chain.verify(rows, start=start), Broken)
