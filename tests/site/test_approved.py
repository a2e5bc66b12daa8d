"""The approved list: which rule is meant for a firmware, and what it says of versions and steps."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model.nameplate import Component, Nameplate
from poller.site.approved import (
    Match,
    attributes,
    rule_for,
    same_version,
    step_for,
    withdrawn,
)
from poller.site.check_overlap import shared_relay
from poller.site.load import load_site
from tests.site.approved_lists import LARCH, approved, rule
from tests.site.test_any_file import FEW

CONFIG = Path(__file__).parents[2] / "config"


def _site_text(path: str) -> str:
    return Path(path).read_text(encoding="utf-8")


SHIPPED = load_site(str(CONFIG / "site.yaml"), _site_text)


def test_what_ships_has_an_approved_list_and_records_its_text() -> None:
    assert SHIPPED.approved is not None
    assert SHIPPED.texts["approved/approved.yaml"] == _site_text(str(CONFIG / "approved.yaml"))


def test_another_approved_list_is_another_site() -> None:
    def read(path: str) -> str:
        return _site_text(path) + ("# \n" if path.endswith("approved.yaml") else "")

    assert load_site(str(CONFIG / "site.yaml"), read).sha256 != SHIPPED.sha256


def test_a_site_that_names_none_has_none() -> None:
    def read(path: str) -> str:
        lines = _site_text(path).splitlines(keepends=True)
        return "".join(line for line in lines if not line.startswith("approved:"))

    assert load_site(str(CONFIG / "site.yaml"), read).approved is None


def test_attributes_are_the_firmware_that_is_told_device_first() -> None:
    told = ("swRev", "components.boot.swRev", "components.communication.swRev")
    assert attributes(LARCH) == told


# Which relays a rule is for. LARCH: Tarnwick Electric LARCH-21, L21-4C-2E-0, hardware C, with a
# communication card of hardware B and a boot program that tells no hardware of its own.
FITS = """
device         {}                                            yes
device         {"vendors": ["Tarnwick*"]}                    yes
device         {"vendors": ["Pike"]}                         no
device         {"vendors": ["Pike", "Tarn*"]}                yes
device         {"vendors": ["Tarn*"], "models": ["PK*"]}     no
device         {"order_code": "L21-4C-2E-0"}                 yes
device         {"order_code": "L21-?C-*"}                    yes
device         {"order_code": "L21-?C"}                      no
device         {"hardware": {"from": "C", "to": "C"}}        yes
device         {"hardware": {"from": "D"}}                   no
device         {"hardware": {"to": "AA"}}                    yes    # AA comes after Z
device         {"hardware": {"from": "1"}}                   no     # numbers against letters
communication  {"hardware": {"from": "B", "to": "B"}}        yes    # the card's own
communication  {"hardware": {"from": "C"}}                   no
boot           {"hardware": {"from": "C", "to": "C"}}        yes    # the device's
"""


@pytest.mark.parametrize("row", FITS.strip().splitlines())
def test_a_rule_is_for_this_relay_or_not(row: str) -> None:
    left, answer, *_ = row.split("#", maxsplit=1)[0].rsplit(maxsplit=1)
    firmware, match = left.split(maxsplit=1)
    one = rule(firmware=firmware, match=Match.model_validate_json(match))
    assert (rule_for(approved(one), LARCH, one.attribute) is one) == (answer == "yes")


@pytest.mark.parametrize(
    ("attribute", "match"),
    [
        ("vendor", {"vendors": ["*"]}),
        ("model", {"models": ["*"]}),
        ("orderCode", {"order_code": "*"}),
        ("hwRev", {"hardware": {"from": "A"}}),
    ],
)
def test_what_a_nameplate_does_not_tell_fits_no_pattern(
    attribute: str, match: dict[str, object]
) -> None:
    silent = replace(LARCH, **{attribute: None})
    one = rule(match=match)
    assert rule_for(approved(one), LARCH, "swRev") is one
    assert rule_for(approved(one), silent, "swRev") is None


def test_a_rule_for_a_component_is_for_that_component_only() -> None:
    boot = rule("boot", firmware="boot")
    assert rule_for(approved(boot), LARCH, "components.boot.swRev") is boot
    assert rule_for(approved(boot), LARCH, "swRev") is None


def test_versions_that_the_scheme_holds_for_one_are_the_same() -> None:
    assert same_version(rule(), "V02.10.00", "2.10")


def test_versions_that_can_not_be_read_are_the_same_by_their_text_only() -> None:
    assert same_version(rule(), "beta", "beta")
    assert not same_version(rule(), "beta", "beta ")


STEP = {
    "from": "2.0",
    "to": "2.1",
    "direction": "update",
    "settings_survive": True,
    "can_be_undone": False,
    "minutes": 20,
    "retry_allowed": True,
}


@pytest.mark.parametrize(
    ("before", "after", "found"),
    [("2.0", "2.1", True), ("V2.00", "2.1.0", True), ("2.1", "2.0", False), ("1.9", "2.1", False)],
)
def test_a_step_is_found_by_its_two_versions(before: str, after: str, found: bool) -> None:
    one = rule(steps=[STEP])
    assert step_for(one, before, after) == (one.steps[0] if found else None)


def test_a_withdrawn_version_has_its_reason_and_day() -> None:
    one = rule(withdrawn=[{"version": "1.9", "why": "It restarts.", "on": "2026-01-19"}])
    gone = withdrawn(one, "V1.09")
    assert gone is not None
    assert (gone.why, gone.on) == ("It restarts.", date(2026, 1, 19))


# Two rules for one relay: what the check finds is what a search through all relays finds.

GLOBS = st.lists(st.sampled_from(["a", "b", "?", "*", "a?", "?b", "*b"]), max_size=2)
ENDS = st.sampled_from(["A", "B", "C", "1", "2", "3"])
RANGES = st.fixed_dictionaries({}, optional={"from": ENDS, "to": ENDS})
MATCHES = st.fixed_dictionaries(
    {"vendors": GLOBS, "models": GLOBS},
    optional={"order_code": st.sampled_from(["a", "a?", "b*"]), "hardware": RANGES},
)
TEXTS = [None, "a", "b", "ab", "aa", "bb"]
RELAYS = [
    Nameplate(vendor=vendor, model=model, orderCode=code, hwRev=revision, swRev="2.1")
    for vendor, model, code in itertools.product(TEXTS, repeat=3)
    for revision in (None, "A", "B", "C", "1", "2", "3")
]


@FEW
@given(MATCHES, MATCHES)
def test_two_rules_share_a_relay_where_trying_all_relays_finds_one(
    one: dict[str, object], other: dict[str, object]
) -> None:
    a, b = rule("a", match=one), rule("b", match=other)
    tried = any(
        rule_for(approved(a), relay, "swRev") and rule_for(approved(b), relay, "swRev")
        for relay in RELAYS
    )
    assert (shared_relay(a, b) is not None) == tried


def test_rules_for_different_firmware_share_no_relay() -> None:
    assert shared_relay(rule("a"), rule("b", firmware="boot")) is None


def test_a_component_is_found_by_its_name_only() -> None:
    other = Nameplate(components=(Component(name="boot", swRev="1"),))
    assert attributes(other) == ("components.boot.swRev",)
