"""Points stay where they are, whatever becomes of relays, entries and the poller."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.alarms import points
from poller.alarms.conditions import Scene, of_several, scene
from poller.alarms.point_values import RelayValue, StationValue
from poller.alarms.points import (
    ALARMS_A_BLOCK,
    STATION,
    VALUES_A_BLOCK,
    alarm_number,
    owners,
    value_number,
)
from poller.decide import Input, SiteRead, Started, decide
from poller.journal import snapshot
from poller.journal.snapshot import Snapshot
from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import Alarm, Cause
from poller.model.standing import Points, State
from poller.site.alarm_catalogue import Catalogue, Entry
from poller.site.settings import RelayEntry, Site, SiteFile
from poller.state import fold

T0 = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
NOTICE, ALARM = ("engineering_notice",), ("operator_alarm",)


def entry(name: str, condition: str = "flag", audience: Sequence[str] = ALARM) -> Entry:
    return Entry.model_validate(
        {
            "id": name,
            "condition": condition,
            "flag": "storage_low" if condition == "flag" else None,
            "audience": audience,
            "priority": "low",
            "on_delay_s": 0,
            "off_delay_s": 0,
            "consequence": "It stays so.",
            "response": "Tell the engineer.",
            "time_to_respond_min": 60,
            "reason": "For the test.",
        }
    )


def site(
    relays: Sequence[str] = ("q01",),
    entries: Sequence[Entry] = (entry("silent", "silent"),),
    outputs: Sequence[str] = ("alarm_points",),
    host: str = "",
) -> Site:
    """host: of all relays, which then stand behind one gateway; else each has its own."""
    file = SiteFile(
        format=1,
        site="hollin",
        name="Hollin",
        outputs={name: {} for name in outputs},
        relays=tuple(
            RelayEntry(id=name, bay="Q", function="f", host=host or f"{name}.lan", maps=("any",))
            for name in relays
        ),
    )
    catalogue = Catalogue(format=1, entries=tuple(entries))
    # as the loader: another text, another hash
    said = f"{relays} {[one.model_dump() for one in entries]} {outputs} {host}"
    return Site(file=file, maps={}, texts={}, sha256=said, alarms=catalogue)


def goes_on(state: State, to: Site, given_: Input | None = None) -> State:
    events = decide(state, to, given_ or Started(version="1"), T0).events
    return fold(state, enumerate(events, state.seq + 1))


def after(*sites: Site) -> Points:
    """The points of a poller that was started with each of these in turn."""
    state = State()
    for one in sites:
        state = goes_on(state, one)
    return state.points


# Where a point is.


def test_one_block_is_as_the_next_so_many_addresses_further_on() -> None:
    kinds = (entry("a"), entry("b"), entry("c"))
    found = after(site(("q01", "q02"), kinds))
    for name in ("a", "b", "c"):
        first, second = (alarm_number(found, relay, name) for relay in ("q01", "q02"))
        assert (first, second) != (None, None)
        assert second - first == ALARMS_A_BLOCK  # type: ignore[operator]
    first, second = (value_number(found, one, RelayValue.STANDING) for one in ("q01", "q02"))
    assert second - first == VALUES_A_BLOCK  # type: ignore[operator]


def test_the_station_has_the_first_block_and_relays_follow_as_the_file_lists_them() -> None:
    assert after(site(("q02", "q01"))).blocks == {STATION: (0,), "q02": (1,), "q01": (2,)}


def test_places_follow_the_catalogue_and_notices_have_none() -> None:
    kinds = (entry("z"), entry("n", audience=NOTICE), entry("a", "many_silent"))
    assert after(site(entries=kinds)).places == {"z": 0, "a": 1}


def test_relays_behind_one_address_have_a_gateway_where_that_is_an_alarm() -> None:
    kinds = (entry("silent", "silent"), entry("gateway_silent", "gateway_silent"))
    behind = after(site(("q01", "q02"), kinds, host="10.0.0.1"))
    assert list(behind.blocks) == [STATION, "gateway-10-0-0-1-502", "q01", "q02"]
    assert list(after(site(("q01", "q02"), kinds[:1], host="10.0.0.1")).blocks) == [
        STATION,
        "q01",
        "q02",
    ]


def test_more_alarms_than_a_block_holds_get_another_block_of_each_that_has_them() -> None:
    kinds = [entry(f"e{number}") for number in range(ALARMS_A_BLOCK + 1)]
    found = after(site(("q01", "q02"), kinds[:-1]), site(("q01", "q02"), kinds))
    assert found.blocks == {STATION: (0,), "q01": (1, 3), "q02": (2, 4)}
    assert alarm_number(found, "q02", kinds[-1].id) == 4 * ALARMS_A_BLOCK
    assert value_number(found, "q02", RelayValue.FIRMWARE) == 2 * VALUES_A_BLOCK + 4


@pytest.mark.parametrize("values", [RelayValue, StationValue])
def test_values_fit_into_a_block(values: type[RelayValue | StationValue]) -> None:
    assert max(values) < VALUES_A_BLOCK


OWNERS = [
    ("q01.silent", "q01", "q01"),
    ("q01.flag_left.storage_low", "q01", "q01"),
    ("network.many_silent", "", STATION),
    ("poller.output_away.mqtt", "", STATION),
    ("gateway-10-0-0-1-502.gateway_silent", "", "gateway-10-0-0-1-502"),
    ("network.silent", "network", "network"),  # a relay that somebody called so
]


@pytest.mark.parametrize(("name", "subject", "owner"), OWNERS)
def test_an_alarm_stands_in_the_block_of_whom_it_is_of(name: str, subject: str, owner: str) -> None:
    alarm = Alarm(id=name, entry="e", subject=subject, since=T0)
    assert points.owner_of(alarm) == owner


def test_a_gateway_is_called_as_its_alarms_are() -> None:
    kinds = (entry("silent", "silent"), entry("gateway_silent", "gateway_silent"))
    behind = site(("q01", "q02"), kinds, host="Gate.Way")
    state = goes_on(State(), behind)
    silent = ev.RelaySilent(last_answer_at=T0, reason="no answer")
    events = [ev.Event(at=T0, subject=name, body=silent) for name in ("q01", "q02")]
    state = fold(state, enumerate(events, state.seq + 1))
    seen: Scene = scene(state, behind, behind.alarms or Catalogue(format=1, entries=()), T0)
    (condition,) = of_several(seen)
    alarm = Alarm(id=condition.alarm, entry=condition.entry, subject="", since=T0)
    assert points.owner_of(alarm) in state.points.blocks


# When they are assigned.


@pytest.mark.parametrize("outputs", [(), ("mqtt",), ("mqtt", "syslog")])
def test_a_site_without_an_output_that_needs_points_has_none(outputs: Sequence[str]) -> None:
    assert after(site(outputs=outputs)) == Points()


@pytest.mark.parametrize("output", sorted(points.NEED_POINTS))
def test_a_site_with_one_has(output: str) -> None:
    assert after(site(outputs=(output,))).blocks.keys() == {STATION, "q01"}


def test_a_site_file_that_is_read_again_brings_points_for_what_is_new() -> None:
    state = goes_on(State(), site(("q01",)))
    state = goes_on(state, site(("q01", "q02")), SiteRead())
    assert state.points.blocks["q02"] == (2,)


def test_what_has_its_points_gets_no_event() -> None:
    state = goes_on(State(), site())
    again = decide(state, site(), Started(version="1"), T0).events
    assert [event.body.kind for event in again] == ["service_started"]


def test_an_event_is_about_its_relay_and_holds_no_more_than_a_catalogue() -> None:
    kinds = [entry(f"e{number}") for number in range(limits.ALARM_ENTRIES_MAX)]
    told = points.assigned(Points(), site(("q01", "q02"), kinds))
    blocks = [(subject, body) for subject, body in told if isinstance(body, ev.PointBlockAssigned)]
    assert {subject for subject, _ in blocks} == {"", "q01", "q02"}
    assert all(subject == body.owner for subject, body in blocks)
    assert [len(body.entries) for _, body in told if isinstance(body, ev.PointPlacesAssigned)] == [
        limits.ALARM_ENTRIES_MAX
    ]


def test_past_their_bounds_nothing_is_assigned_and_it_can_be_told_who_lacks() -> None:
    full = Points(
        blocks={"gone": (limits.POINT_BLOCKS_MAX - 2,)},
        places={"gone": limits.POINT_PLACES_MAX - 1},
    )
    found = points.planned(full, site(("q01", "q02")))
    assert found.blocks.keys() == {"gone", STATION}
    assert found.places == full.places
    assert points.out_of_reach(found, site(("q01", "q02")), 10**6) == ["q01", "q02"]


def test_what_a_protocol_can_not_address_is_told() -> None:
    found = after(site(("q01", "q02")))
    assert points.out_of_reach(found, site(("q01", "q02")), 2) == ["q02"]


# For ever.

RELAYS = [f"q{number:02}" for number in range(6)]
KINDS = [
    *((f"flag.f{number}", "flag") for number in range(ALARMS_A_BLOCK)),
    ("silent", "silent"),
    ("gateway_silent", "gateway_silent"),
    ("many_silent", "many_silent"),
    ("disk_low", "disk_low"),
]
BOTH = st.sampled_from((ALARM, NOTICE))


@st.composite
def catalogues(draw: st.DrawFn) -> list[Entry]:
    """Some of the kinds, in any order; now and then nearly all, more than a block holds."""
    least = draw(st.sampled_from((0, 0, 0, ALARMS_A_BLOCK)))
    some = draw(st.lists(st.sampled_from(KINDS), unique=True, min_size=least, max_size=len(KINDS)))
    audience = draw(st.lists(BOTH, min_size=len(some), max_size=len(some)))
    return [
        entry(name, condition, ALARM if least else one)
        for (name, condition), one in zip(some, audience, strict=True)
    ]


SITES = st.builds(
    site,
    st.lists(st.sampled_from(RELAYS), unique=True, min_size=1),
    catalogues(),
    st.sampled_from((("alarm_points",), ("iec104", "mqtt"), ("mqtt",))),
    st.sampled_from(("", "10.0.0.1")),
)


def numbers(found: Points) -> dict[tuple[str, str | int], int]:
    """Every point that there is, of everyone with a block and all with a place."""

    def every() -> Iterator[tuple[tuple[str, str | int], int | None]]:
        for owner in found.blocks:
            yield from (((owner, one), alarm_number(found, owner, one)) for one in found.places)

    return {point: number for point, number in every() if number is not None}


@given(st.lists(st.tuples(SITES, st.booleans()), min_size=1, max_size=6))
def test_a_point_keeps_its_number_and_no_other_ever_gets_it(
    story: list[tuple[Site, bool]],
) -> None:
    """Relays and entries come and go, the poller is started anew or reads its file again."""
    state, events = State(), list[ev.Event]()
    known: dict[tuple[str, str | int], int] = {}
    for to, restarts in story:
        told = decide(state, to, Started(version="1") if restarts else SiteRead(), T0).events
        events += told
        state = fold(state, enumerate(told, state.seq + 1))
        if restarts:  # from a snapshot, as after a crash
            kept = snapshot.to_bytes(Snapshot(hash="00", state=state))
            state = snapshot.from_bytes(kept).state
        now = numbers(state.points)
        assert now.items() >= known.items()
        assert len(set(now.values())) == len(now)
        known = now
        if points.NEED_POINTS & to.file.outputs.keys():
            for owner, kinds in owners(to).items():
                assert all((owner, one.id) in known for one in kinds)
                assert value_number(state.points, owner, RelayValue(0)) is not None
    assert fold(State(), enumerate(events, 1)).points == state.points


def test_every_condition_that_can_be_the_operators_is_of_somebody() -> None:
    kinds = [entry(one.value, one.value) for one in Cause]
    found = owners(site(("q01", "q02"), kinds, host="10.0.0.1"))
    assert {one.id for some in found.values() for one in some} == {one.value for one in Cause}
