"""Positions that tell the same serial number name each other, and nobody else does."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from poller.decide import About, Input, SiteRead, decide
from poller.judging.findings import Believed
from poller.model.standing import State
from poller.site.load import load_site
from poller.site.settings import Site
from poller.state import fold
from tests.work.world import FILES, T0, plate, site

NAMES = tuple(entry.id for entry in site().file.relays)
TELLINGS = st.lists(
    st.tuples(st.sampled_from(NAMES), st.sampled_from(["40117", "40118", None])), max_size=12
)


def after(state: State, asked: Site, told: Input) -> State:
    events = decide(state, asked, told, T0).events
    return fold(state, enumerate(events, state.seq + 1))


def tells(relay: str, serial: str | None) -> About:
    believed = Believed(
        nameplate=plate(serNum=serial),
        map="any",
        covers=frozenset({"vendor", "swRev", "serNum"}),
        last_old_at=None,
        first_new_at=T0,
        relay_time=None,
    )
    return About(relay=relay, finding=believed)


def is_as_told(state: State, serials: dict[str, str | None]) -> bool:
    return all(
        state.relays[name].duplicates
        == tuple(
            sorted(
                other
                for other, told in serials.items()
                if other != name and told is not None and told == serials.get(name)
            )
        )
        for name in serials
    )


@given(TELLINGS)
def test_whatever_relays_tell_each_names_those_that_tell_the_same(
    tellings: list[tuple[str, str | None]],
) -> None:
    state = after(State(), site(), SiteRead())
    serials: dict[str, str | None] = dict.fromkeys(NAMES)
    for relay, serial in tellings:
        state = after(state, site(), tells(relay, serial))
        serials[relay] = serial
        assert is_as_told(state, serials)


def test_a_relay_that_the_site_lists_no_more_is_named_by_nobody() -> None:
    *rest, gone = NAMES
    line = next(line for line in FILES["site.yaml"].splitlines(True) if f"id: {gone}" in line)
    texts = FILES | {"site.yaml": FILES["site.yaml"].replace(line, "")}
    fewer = load_site("site.yaml", lambda path: texts[str(path)])
    state = after(State(), site(), SiteRead())
    for name in NAMES:
        state = after(state, site(), tells(name, "40117"))
    state = after(state, fewer, SiteRead())
    assert is_as_told(state, dict.fromkeys(rest, "40117"))
