"""Which firmware runs where, now and over time."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.answers.spread import Spread
from poller.answers.versions import FamilyRow, families
from poller.cli.shipped import config_folder
from poller.decide import About, SiteRead, decide
from poller.model import events as ev
from poller.model.events import Event
from poller.model.standing import State
from poller.model.work import FirmwareStatus
from poller.site.load import load_site
from poller.state import fold
from tests.cli.bench import AT, HOSTILE, believed

SITE = load_site(str(config_folder() / "site.yaml"), lambda path: Path(path).read_text())


def world(**runs: str) -> State:
    """runs: q01_main1="5.1 SP2", all of the family larch."""
    state = State()
    given: list[Any] = [SiteRead()]
    given += [
        About(relay=name.replace("_", "-"), finding=believed(version, serial=f"TW19{at:05}"))
        for at, (name, version) in enumerate(runs.items())
    ]
    for one in given:
        state = fold(state, enumerate(decide(state, SITE, one, AT).events, start=state.seq + 1))
    return state


def rows(state: State, rule: str | None, firmware: str = "device") -> FamilyRow:
    return next(
        one for one in families(state, SITE) if (one.rule, one.firmware) == (rule, firmware)
    )


# bench.believed tells no order code, so rule larch of the shipped list fits nothing it makes;
# larch-boot asks for the maker and the model alone.


def test_each_version_has_its_relays_in_the_order_of_the_station() -> None:
    boot = rows(world(q03_main1="5.1 SP2", q01_main1="5.2"), "larch-boot", "boot")
    [row] = boot.versions
    assert (row.version, row.target, row.says) == ("2.4", True, "the target")
    assert [one.relay for one in row.relays] == ["q01-main1", "q03-main1"]
    assert (boot.relays, boot.on_target) == (2, 2)


def test_what_the_list_names_and_nobody_runs_is_there_too_the_newest_first() -> None:
    larch = rows(world(), "larch")
    assert [(one.version, one.status, len(one.relays)) for one in larch.versions] == [
        ("5.1 SP2 HF3", FirmwareStatus.CURRENT, 0),
        ("5.1 SP2", FirmwareStatus.APPROVED_OLDER, 0),
        ("5.1 SP1", FirmwareStatus.WITHDRAWN, 0),
    ]
    assert larch.versions[-1].says.startswith("withdrawn on 2025-11-03: ")


def test_what_no_rule_is_for_stands_apart_and_is_shown_safely() -> None:
    none = rows(world(q01_main1=HOSTILE), None)
    assert [one.version for one in none.versions] == [r"V1\x1b[2J\u202e<b>"]
    assert none.family == "no rule"


def test_a_relay_that_is_listed_no_more_is_not_counted() -> None:
    state = world(q01_main1="5.1 SP2")
    gone = Event(at=AT, subject="q01-main1", body=ev.RelayDelisted())
    state = fold(state, [(state.seq + 1, gone)])
    assert sum(one.relays for one in families(state, SITE)) == 0


# Over time. The same events, counted the long way.

NAMES = ["a", "b", "c"]
RULES = [None, "larch", "pike"]
VERSIONS = [None, "1", "2"]
BEGIN = datetime(2026, 3, 1, tzinfo=UTC)


def changed(name: str, rule: str | None, version: str | None, before: FirmwareStatus | None) -> Any:
    body = ev.FirmwareStatusChanged(
        attribute="swRev",
        before=before,
        after=FirmwareStatus.NO_RULE,
        version=version,
        target=None,
        rule=rule,
    )
    return name, body


LISTED = ev.RelayListed(bay="Q1", function="main 1", address="127.0.0.1:502/1")
happenings = st.lists(
    st.one_of(
        st.builds(lambda name: (name, LISTED), st.sampled_from(NAMES)),
        st.builds(lambda name: (name, ev.RelayDelisted()), st.sampled_from(NAMES)),
        st.builds(
            changed,
            st.sampled_from(NAMES),
            st.sampled_from(RULES),
            st.sampled_from(VERSIONS),
            st.none(),
        ),
    ),
    max_size=40,
)


@given(happenings)
def test_at_every_moment_it_counts_what_the_state_holds(told: list[Any]) -> None:
    """Against the fold of the state, which the whole program stands on."""
    spread, state = Spread(), State()
    events = [("a", LISTED), ("b", LISTED), ("c", LISTED), *told]
    for seq, (name, body) in enumerate(events, start=1):
        event = Event(at=BEGIN + timedelta(seconds=seq), subject=name, body=body)
        spread.take(event)
        state = fold(state, [(seq, event)])
        expected: dict[Any, Counter[Any]] = {}
        for relay in state.relays.values():
            if relay.listed:
                for attribute, one in relay.firmware.items():
                    expected.setdefault((one.rule, attribute), Counter())[one.version] += 1
        now = {key: dict(turns[-1].counts) for key, turns in spread.turns.items()}
        assert {key: counts for key, counts in now.items() if counts} == expected


@given(happenings, st.integers(0, 43))
def test_it_goes_on_from_a_state_as_from_the_beginning(told: list[Any], cut: int) -> None:
    """As after old events were pruned."""
    events = [
        Event(at=BEGIN + timedelta(seconds=at), subject=name, body=body)
        for at, (name, body) in enumerate([("a", LISTED), ("b", LISTED), ("c", LISTED), *told])
    ]
    whole, state = Spread(), State()
    for at, event in enumerate(events):
        whole.take(event)
        if at < cut:
            state = fold(state, [(at + 1, event)])
    later = Spread.of(state, BEGIN)
    for event in events[cut:]:
        later.take(event)

    def now(spread: Spread) -> dict[Any, Any]:
        found = {key: turns[-1].counts for key, turns in spread.turns.items()}
        return {key: counts for key, counts in found.items() if counts}

    assert now(later) == now(whole)


def test_of_one_commit_only_what_came_of_it_is_a_turn() -> None:
    spread = Spread()
    for name in NAMES:
        for body in (LISTED, changed(name, "larch", "1", None)[1]):
            spread.take(Event(at=BEGIN, subject=name, body=body))
    [turn] = spread.turns["larch", "swRev"]
    assert turn.counts == {"1": 3}


def test_turns_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("poller.model.limits.SPREAD_TURNS_MAX", 3)
    spread = Spread()
    spread.take(Event(at=BEGIN, subject="a", body=LISTED))
    for n in range(10):
        at = BEGIN + timedelta(seconds=n)
        spread.take(Event(at=at, subject="a", body=changed("a", "larch", str(n), None)[1]))
    assert [turn.counts for turn in spread.turns["larch", "swRev"]] == [
        {"7": 1},
        {"8": 1},
        {"9": 1},
    ]
