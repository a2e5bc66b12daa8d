"""The relays of a state know who is away, whatever becomes of them."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from poller.model.standing import Relay, Relays, away

NAMES = st.sampled_from(["q01", "q02", "q03", "q04"])


def relay(answering: bool | None) -> Relay:
    return Relay(bay="Q", function="main", address="127.0.0.1:502/1", answering=answering)


@given(st.lists(st.tuples(NAMES, st.sampled_from([None, True, False]), st.booleans())))
def test_those_who_are_away_are_those_that_a_look_at_all_finds(
    told: list[tuple[str, bool | None, bool]],
) -> None:
    relays = Relays({})
    for name, answering, copied in told:
        if copied:
            relays = Relays(relays)
        relays[name] = relay(answering)
        assert sorted(away(relays)) == sorted(away(dict(relays)))
