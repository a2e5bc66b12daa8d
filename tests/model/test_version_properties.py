"""The order of versions holds together, whatever the texts."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from poller.model.events import Order
from poller.model.firmware_version import Scheme, key, normal, order
from tests.model.schemes import SCHEMES, scheme_names, texts

TURNED = {Order.NEWER: Order.OLDER, Order.OLDER: Order.NEWER}
AT_MOST = {Order.OLDER, Order.SAME, Order.TEXT_ONLY}  # of b against a: b <= a


@given(texts(2))
def test_the_other_way_round_is_the_opposite(given_: tuple[Scheme, tuple[str, str]]) -> None:
    scheme, (a, b) = given_
    there = order(a, b, scheme)
    assert order(b, a, scheme) is TURNED.get(there, there)


@given(texts(3))
def test_at_most_is_transitive(given_: tuple[Scheme, tuple[str, str, str]]) -> None:
    scheme, (a, b, c) = given_
    if order(a, b, scheme) in AT_MOST and order(b, c, scheme) in AT_MOST:
        assert order(a, c, scheme) in AT_MOST


@given(texts(3))
def test_what_is_equal_in_order_is_equal_against_a_third(
    given_: tuple[Scheme, tuple[str, str, str]],
) -> None:
    scheme, (a, b, c) = given_
    if order(a, b, scheme) is Order.TEXT_ONLY and c not in (a, b):
        assert order(a, c, scheme) is order(b, c, scheme)


@given(texts(2))
def test_readable_texts_are_comparable_save_a_number_against_letters(
    given_: tuple[Scheme, tuple[str, str]],
) -> None:
    scheme, (a, b) = given_
    mixed = scheme is SCHEMES["release"] and a[-1:].isdigit() != b[-1:].isdigit()
    assert mixed or order(a, b, scheme) is not Order.NOT_COMPARABLE


@given(texts(2))
def test_text_only_means_equal_keys(given_: tuple[Scheme, tuple[str, str]]) -> None:
    scheme, (a, b) = given_
    equal = order(a, b, scheme) in (Order.TEXT_ONLY, Order.SAME)
    assert equal is (key(a, scheme) == key(b, scheme))


@given(texts(1))
def test_normalising_moves_nothing(given_: tuple[Scheme, tuple[str]]) -> None:
    scheme, (a,) = given_
    plain = normal(a, scheme)
    assert plain is not None
    assert key(plain, scheme) == key(a, scheme)


@given(texts(1))
def test_normalising_twice_changes_nothing(given_: tuple[Scheme, tuple[str]]) -> None:
    scheme, (a,) = given_
    once = normal(a, scheme)
    assert once is not None
    assert normal(once, scheme) == once


@given(scheme_names, st.text(max_size=80), st.text(max_size=80))
def test_any_text_at_all_gets_an_answer(name: str, a: str, b: str) -> None:
    """Never an exception; and an order only where both texts can be read."""
    scheme = SCHEMES[name]
    answer = order(a, b, scheme)
    unread = key(a, scheme) is None or key(b, scheme) is None
    assert (answer is Order.NOT_COMPARABLE) or a == b or not unread


@given(st.integers(0, 701), st.integers(0, 701))
def test_letters_run_from_a_to_z_then_aa(a: int, b: int) -> None:
    expected = Order.SAME if a == b else Order.NEWER if a < b else Order.OLDER
    assert order(_column(a), _column(b), SCHEMES["letters"]) is expected


def _column(n: int) -> str:
    """0 is A, 25 is Z, 26 is AA, 701 is ZZ."""
    last = chr(ord("A") + n % 26)
    return last if n < 26 else chr(ord("A") + n // 26 - 1) + last
