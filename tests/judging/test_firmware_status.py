"""Firmware against the approved list: the status of a version, and when a change of it is told."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.judging.firmware_status import ALLOWED, follow, status_of
from poller.model.events import Body, Event, FirmwareStatusChanged
from poller.model.nameplate import Component, Nameplate
from poller.model.standing import Manual, Relay, State
from poller.model.work import FirmwareStatus
from poller.site.approved import Approved, Rule, is_approved
from poller.site.load import load_site
from poller.site.settings import Site
from poller.state import fold
from tests.site.approved_lists import LARCH, approved, rule

CHECKS = Path(__file__).parents[1] / "checks"
AT = datetime(2026, 3, 1, 8, tzinfo=UTC)

# target 5.1 SP2; approved too: 5.1 SP1, and 5.2 for a trial; withdrawn: 5.0 and 5.1 HF1
STATUSES = """
5.1 SP2        current
V05.1.0 SP2    current             # the same place in the order
5.1 SP1        approved_older
5.1-sp1        approved_older
5.2            newer_than_target   # approved, and newer all the same
5.3            newer_than_target
5.1            not_approved
4.9            not_approved
5.0            withdrawn
5.1 HF1        withdrawn
5.1 SP2 beta   not_comparable
Rev C          not_comparable
(not read)     not_read
"""
LIST = rule(
    version_scheme={"kind": "dotted_service_pack"},
    target="5.1 SP2",
    approved=["5.1 SP1", "5.1 SP2", "5.2"],
    withdrawn=[
        {"version": "5.0", "why": "It restarts.", "on": "2026-01-19"},
        {"version": "5.1 HF1", "why": "It restarts.", "on": "2026-01-19"},
    ],
)


@pytest.mark.parametrize("row", STATUSES.strip().splitlines())
def test_the_status_of_a_version(row: str) -> None:
    version, status = row.split("#", maxsplit=1)[0].rsplit(maxsplit=1)
    read = None if version.strip() == "(not read)" else version.strip()
    assert status_of(read, LIST) == status


def test_without_a_rule_nothing_is_said_of_a_version() -> None:
    assert status_of("5.1 SP2", None) is FirmwareStatus.NO_RULE


def test_what_was_not_read_is_not_read_whatever_the_rules() -> None:
    assert status_of(None, None) is FirmwareStatus.NOT_READ


NUMBERS = st.lists(st.integers(0, 2), min_size=1, max_size=3).map(lambda n: ".".join(map(str, n)))


@settings(max_examples=100, deadline=None)
@given(NUMBERS, NUMBERS, st.lists(NUMBERS, min_size=1, max_size=3))
def test_only_approved_versions_may_run(version: str, target: str, also: list[str]) -> None:
    one = rule(target=target, approved=[target, *also])
    assert status_of(version, one) not in ALLOWED or is_approved(one, version)


# Patch states of IEC TR 62443-2-3:2015, from memory: those that the asset owner gives correspond to
# what the owner's list says of a version that a relay runs. Theirs are states of a patch, ours of a
# relay; so In Internal Test and Effective are here what a relay that runs such a version reads.
OWNER = """
In Internal Test   2.2   newer_than_target   # known, and not released by the owner
Not Authorized     1.9   withdrawn
Authorized         2.0   approved_older      # released, and another version is the target
Effective          2.1   current             # posted: it is the target
Installed          2.1   current
"""
MAY_RUN = ("Authorized", "Effective", "Installed")


def _owner_rows() -> list[tuple[str, str, str]]:
    lines = (row.split("#", maxsplit=1)[0] for row in OWNER.strip().splitlines())
    return [tuple(line.rsplit(maxsplit=2)) for line in lines]  # type: ignore[misc]


def test_every_state_that_an_owner_gives_a_patch_has_a_row() -> None:
    with (CHECKS / "iec62443_2_3_patch_states.csv").open(encoding="utf-8") as file:
        states = [row["state"] for row in csv.DictReader(file) if row["owner"] == "asset owner"]
    assert [state.strip() for state, _, _ in _owner_rows()] == states


@pytest.mark.parametrize(("state", "version", "status"), _owner_rows())
def test_what_the_owner_says_of_a_patch_is_what_a_relay_that_runs_it_reads(
    state: str, version: str, status: str
) -> None:
    one = rule(withdrawn=[{"version": "1.9", "why": "Failed our test.", "on": "2026-01-19"}])
    found = status_of(version, one)
    assert found == status
    assert (found in ALLOWED) == (state.strip() in MAY_RUN)


# Rules of thumb, common practice with no published source: lower than the target can be updated,
# equal is up to date.
@pytest.mark.parametrize(
    ("version", "up_to_date"), [("2.0", False), ("2.1", True), ("1.0", False), ("V2.01", True)]
)
def test_equal_to_the_target_is_up_to_date_and_lower_is_not(version: str, up_to_date: bool) -> None:
    assert (status_of(version, rule()) is FirmwareStatus.CURRENT) == up_to_date


# When a change of status is told.

RULES = (
    rule("larch", target="5.1 SP2", approved=["5.1 SP2"], version_scheme=LIST.version_scheme),
    rule("boot", firmware="boot", target="2.5", approved=["2.4", "2.5"]),
)
SITE = load_site(
    "site.yaml",
    lambda path: (
        "format: 1\nsite: tarnby\nname: Tarnby\nrelays:\n"
        "  - {id: q01, bay: Q01, function: main 1, host: 127.1.1.1, maps: [any]}\n"
    ),
)
DIGEST = "a" * 64


def site(*rules: Rule) -> Site:
    return replace(SITE, approved=approved(*rules) if rules else None)


def relay(nameplate: Nameplate | None = LARCH, **more: Any) -> Relay:
    fields: dict[str, Any] = {"bay": "Q01", "function": "main 1", "address": "h:502/255"}
    return Relay(**fields | {"nameplate": nameplate} | more)


def world(one: Relay, digest: str = DIGEST) -> State:
    return State(site="tarnby", site_sha256=digest, relays={"q01": one})


def told(found: Sequence[tuple[str, Body]]) -> list[str]:
    """`q01 swRev - current 5.1 SP2`: relay, attribute, status before and after, version."""
    said = []
    for name, body in found:
        assert isinstance(body, FirmwareStatusChanged)
        said.append(f"{name} {body.attribute} {body.before or '-'} {body.after} {body.version}")
    return said


def folded(state: State, found: Sequence[tuple[str, Body]]) -> State:
    events = [Event(at=AT, subject=name, body=body) for name, body in found]
    return fold(state, enumerate(events, start=state.seq + 1))


def begun(one: Relay, *rules: Rule) -> State:
    """The state after the first look at a relay."""
    return folded(world(one), follow(State(), world(one), site(*rules)))


def changed(state: State, **changes: Any) -> State:
    return replace(state, relays={"q01": replace(state.relays["q01"], **changes)})


def test_a_relay_that_was_read_first_is_told_for_each_firmware() -> None:
    assert told(follow(State(), world(relay()), site(*RULES))) == [
        "q01 swRev - current 5.1 SP2",
        "q01 components.boot.swRev - approved_older 2.4",
        "q01 components.communication.swRev - no_rule 1.12",
    ]


def test_target_and_rule_stand_in_the_event() -> None:
    [(_, body), *_] = follow(State(), world(relay()), site(*RULES))
    assert isinstance(body, FirmwareStatusChanged)
    assert (body.target, body.rule) == ("5.1 SP2", "larch")


def test_what_was_told_is_not_told_again() -> None:
    state = begun(relay(), *RULES)
    assert follow(State(), state, site(*RULES)) == []


def test_another_version_is_another_status() -> None:
    state = begun(relay(), *RULES)
    after = changed(state, nameplate=replace(LARCH, swRev="5.2"))
    assert told(follow(state, after, site(*RULES))) == ["q01 swRev current newer_than_target 5.2"]


def test_another_version_of_the_same_status_is_told_too() -> None:
    state = begun(relay(replace(LARCH, swRev="4.0")), *RULES)
    after = changed(state, nameplate=replace(LARCH, swRev="4.1"))
    found = told(follow(state, after, site(*RULES)))
    assert found == ["q01 swRev not_approved not_approved 4.1"]


def test_another_target_is_told_though_no_relay_changed() -> None:
    state = begun(relay(), *RULES)
    larch = RULES[0].model_copy(update={"target": "5.2", "approved": ("5.1 SP2", "5.2")})
    after = replace(state, site_sha256="b" * 64)
    found = told(follow(state, after, site(larch, RULES[1])))
    assert found == ["q01 swRev current approved_older 5.1 SP2"]


def test_a_relay_that_did_not_change_is_not_looked_at() -> None:
    state = begun(relay(), *RULES)
    assert follow(state, state, site(rule(target="9", approved=["9"]))) == []


def test_a_firmware_that_is_no_longer_told_is_not_read() -> None:
    state = begun(relay(), *RULES)
    bare = replace(LARCH, components=tuple(p for p in LARCH.components if p.name != "boot"))
    found = told(follow(state, changed(state, nameplate=bare), site(*RULES)))
    assert found == ["q01 components.boot.swRev approved_older not_read None"]


def test_a_reading_at_the_front_panel_counts_where_nothing_was_read() -> None:
    manual = Manual(values={"swRev": "5.1 SP2", "model": "LARCH-21"}, read_at=AT, by="Ute")
    state = world(relay(None, manual=manual))
    assert told(follow(State(), state, site(*RULES))) == ["q01 swRev - current 5.1 SP2"]


@pytest.mark.parametrize(
    "one", [relay(None), relay(listed=False)], ids=["never read", "not listed"]
)
def test_nothing_is_said_of_a_relay_that_is(one: Relay) -> None:
    assert follow(State(), world(one), site(*RULES)) == []


def test_nothing_is_said_where_the_site_names_no_list() -> None:
    assert follow(State(), world(relay()), site()) == []


def test_a_list_that_was_taken_away_leaves_no_rule() -> None:
    state = begun(relay(Nameplate(swRev="5.1 SP2")), *RULES)
    after = replace(state, site_sha256="b" * 64)
    assert told(follow(state, after, site())) == ["q01 swRev current no_rule 5.1 SP2"]


VERSIONS = st.sampled_from([None, "2.0", "2.1", "9", "beta"])
PLATES = st.builds(
    lambda device, boot: Nameplate(
        swRev=device, components=(Component(name="boot", swRev=boot),) if boot else ()
    ),
    VERSIONS,
    VERSIONS,
)
LISTS = st.sampled_from(
    [None, approved(), approved(rule()), approved(rule(target="2.0", approved=["2.0"]))]
)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(PLATES, LISTS), min_size=1, max_size=5))
def test_after_each_step_the_state_says_what_a_fresh_look_says(
    steps: list[tuple[Nameplate, Approved | None]],
) -> None:
    state = State()
    for number, (nameplate, one) in enumerate(steps):
        known = state.relays["q01"].firmware if state.relays else {}
        after = replace(
            world(relay(nameplate, firmware=known), digest=f"{number:064x}"), seq=state.seq
        )
        here = replace(SITE, approved=one)
        state = folded(after, follow(state, after, here))
        assert follow(State(), state, here) == []
        assert one is None or state.relays["q01"].firmware.keys() >= {
            name for name, text in (("swRev", nameplate.swRev),) if text is not None
        }
