"""Advisories against relays: every way in which CSAF 2.0 names a product, and what follows.

Sources: CSAF 2.0, 3.1.2 (branches), 3.1.3.3 (helpers), 3.2.2.4 (relationships), 3.2.3 (status,
scores, remediations), 6.1.6 and 6.1.31; checks/csaf_product_version_names.csv.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from poller.model import limits
from poller.planning.advisories import Verdict, held
from poller.planning.csaf_shape import Remedy
from poller.planning.matching import one_version
from tests.planning.documents import (
    FAMILIES,
    advisory,
    box,
    branch,
    document,
    findings,
    full,
    larch,
    ranged,
    verdict,
    version,
    vulnerability,
)

NAMES = Path(__file__).parents[1] / "checks" / "csaf_product_version_names.csv"
AFFECTED = vulnerability(known_affected=["P"])
PERSON = Verdict.NEEDS_A_PERSON


def names() -> list[tuple[str, bool]]:
    with NAMES.open(encoding="utf-8", newline="") as opened:
        rows = list(csv.DictReader(opened))
    return [(row["name"], row["test_6_1_31_expect"].startswith("pass")) for row in rows]


@pytest.mark.parametrize(("name", "one"), names())
def test_names_that_are_no_single_version_are_known_as_test_6_1_31_says(
    name: str, one: bool
) -> None:
    assert one_version(name) is one


VERSIONS: list[tuple[dict[str, Any], str | None, Verdict | None]] = [
    # product_version: equality, as the family spells versions
    (version("5.1 SP2"), "5.1 SP2", Verdict.AFFECTED),
    (version("V05.1-SP2"), "5.1 SP2", Verdict.AFFECTED),
    (version("5.1"), "5.1 SP2", None),
    (version("5.1 SP2"), None, PERSON),  # its firmware is not known
    (version("5.1 SP2"), "\x1b[2J", PERSON),
    (version("prior to 5.2"), "5.1 SP2", PERSON),
    (version("build 17"), "5.1 SP2", PERSON),  # the family writes none so
    # a service pack may stand below its version
    (branch("product_version", "5.1", branch("service_pack", "SP2", product=full("x", "P"))),
     "5.1 SP2", Verdict.AFFECTED),
    (branch("product_version", "5.1", branch("service_pack", "SP1", product=full("x", "P"))),
     "5.1 SP2", None),
    # product_version_range: vers:
    (ranged("vers:generic/>=5.1|<5.1%20SP3"), "5.1 SP2", Verdict.AFFECTED),
    (ranged("vers:generic/>=5.1|<5.1%20SP2"), "5.1 SP2", None),
    (ranged("vers:all/*"), "\x1b[2J", Verdict.AFFECTED),
    (ranged("vers:all/*"), None, Verdict.AFFECTED),
    (ranged("vers:generic/<5.2"), None, PERSON),
    (ranged("<5.2"), "5.1 SP2", PERSON),  # a vls
    (ranged("vers:generic/<5.2|>=5.1"), "5.1 SP2", PERSON),  # not canonical
    # an architecture narrows it to something that no nameplate tells
    (branch("architecture", "A", version("5.1 SP2")), "5.1 SP2", PERSON),
    (branch("architecture", "A", version("5.2")), "5.1 SP2", None),
    (branch("product_version", "5.1", version("5.1 SP2")), "5.1 SP2", PERSON),  # two versions
]  # fmt: skip


@pytest.mark.parametrize(("leaf", "running", "expected"), VERSIONS)
def test_a_version_is_meant_or_not_or_a_person_decides(
    leaf: dict[str, Any], running: str | None, expected: Verdict | None
) -> None:
    given = document({"branches": [larch(leaf)]}, AFFECTED)
    assert verdict(given, box(swRev=running)) is expected


def test_a_product_without_a_version_is_all_of_its_versions() -> None:
    tree = branch("vendor", "Tarnwick", branch("product_name", "Larch 21", product=full("L", "P")))
    assert verdict(document({"branches": [tree]}, AFFECTED)) is Verdict.AFFECTED


HELPERS: list[tuple[dict[str, Any], Verdict | None]] = [
    ({"serial_numbers": ["TW19*"]}, Verdict.AFFECTED),
    ({"serial_numbers": ["TW190000?"]}, Verdict.AFFECTED),
    ({"serial_numbers": ["TW19000??1", "tw1900001"]}, Verdict.AFFECTED),
    ({"serial_numbers": ["TW20*"]}, None),
    ({"serial_numbers": ["TW190000"]}, PERSON),  # 3.1.3.3.6: it may be abbreviated
    ({"serial_numbers": ["TW[1]9*"]}, None),  # a bracket is a bracket
    ({"model_numbers": ["LARCH-2?"]}, Verdict.AFFECTED),
    ({"model_numbers": ["L21-?C-*"]}, Verdict.AFFECTED),
    ({"model_numbers": ["L21-6C-*"]}, None),
    ({"skus": ["L21-4C-2E-0"]}, Verdict.AFFECTED),
    ({"model_numbers": ["LARCH-21"], "serial_numbers": ["TW20*"]}, None),
]


@pytest.mark.parametrize(("helper", "expected"), HELPERS)
def test_model_and_serial_numbers_tell_one_box_from_another(
    helper: dict[str, Any], expected: Verdict | None
) -> None:
    given = document({"branches": [larch(version("5.1 SP2", **helper))]}, AFFECTED)
    assert verdict(given) is expected


def test_a_box_without_a_serial_number_needs_a_person_where_numbers_decide() -> None:
    tree = larch(version("5.1 SP2", serial_numbers=["TW19*"]))
    (found,) = findings(document({"branches": [tree]}, AFFECTED), box(serNum=None))
    assert (found.verdict, found.why) == (
        PERSON,
        "the document names some by serial number, and the nameplate tells none",
    )


def test_a_product_outside_the_branches_is_named_by_its_full_name() -> None:
    families = FAMILIES.model_copy(
        update={
            "families": (
                FAMILIES.families[0].model_copy(
                    update={
                        "named": FAMILIES.families[0].named.model_copy(
                            update={"vendors": (), "products": ("Larch 21*",)}
                        )
                    }
                ),
            )
        }
    )
    tree = {"full_product_names": [full("Larch 21, 2019", "P", serial_numbers=["TW19*"])]}
    found = held([advisory(document(tree, AFFECTED))], families, [box()]).findings
    assert [one.verdict for one in found] == [Verdict.AFFECTED]


FIRMWARE = larch(version("5.1 SP2", "F"), name="Larch firmware")
BOX = branch(
    "vendor", "Tarnwick", branch("product_name", "Larch 21", product=full("Larch 21", "H"))
)
OTHER_BOX = branch(
    "vendor",
    "Tarnwick",
    branch("product_name", "Larch 21", product=full("Larch 21", "H", model_numbers=["LARCH-8?"])),
)
STACK = branch("vendor", "Holm", branch("product_name", "Holm TCP", product=full("Holm TCP", "S")))
BONDS = [
    ("installed_on", FIRMWARE, BOX, "F", Verdict.AFFECTED),
    ("installed_on", FIRMWARE, OTHER_BOX, "F", None),
    ("installed_on", STACK, BOX, "S", PERSON),
    ("installed_with", STACK, BOX, "S", PERSON),
    ("optional_component_of", STACK, BOX, "S", PERSON),
    ("external_component_of", STACK, BOX, "S", PERSON),
    ("default_component_of", STACK, BOX, "S", Verdict.AFFECTED),  # it is in each of them
    ("default_component_of", STACK, OTHER_BOX, "S", None),
]


@pytest.mark.parametrize(("category", "of", "to", "of_id", "expected"), BONDS)
def test_a_relationship_holds_where_both_of_its_products_do(
    category: str, of: dict[str, Any], to: dict[str, Any], of_id: str, expected: Verdict | None
) -> None:
    bond = {
        "category": category,
        "full_product_name": full("one with the other", "P"),
        "product_reference": of_id,
        "relates_to_product_reference": "H",
    }
    given = document({"branches": [of, to], "relationships": [bond]}, AFFECTED)
    assert verdict(given) is expected


def test_a_component_has_versions_of_its_own() -> None:
    tree = {"branches": [larch(ranged("vers:generic/<2.5"), name="Larch boot program")]}
    assert verdict(document(tree, AFFECTED)) is Verdict.AFFECTED


A, B = "A", "B"
RUNS, OLD = version("5.1 SP2", A), version("5.0", A)
STATUS: list[tuple[list[dict[str, Any]], dict[str, list[str]], Verdict | None]] = [
    ([RUNS], {"known_affected": [A]}, Verdict.AFFECTED),
    ([RUNS], {"fixed": [A]}, Verdict.FIXED),
    ([RUNS], {"known_not_affected": [A]}, Verdict.NOT_AFFECTED),
    ([RUNS], {"under_investigation": [A]}, Verdict.UNDER_INVESTIGATION),
    ([RUNS], {"recommended": [A]}, None),  # says nothing of what is so
    ([RUNS], {"first_affected": [A]}, Verdict.AFFECTED),
    ([RUNS], {"last_affected": [A]}, Verdict.AFFECTED),
    ([RUNS], {"first_fixed": [A]}, Verdict.FIXED),
    # only the first or last is named, and it runs another on that side
    ([OLD], {"first_affected": [A]}, PERSON),
    ([OLD], {"last_affected": [A]}, None),
    ([OLD], {"first_fixed": [A]}, PERSON),
    # 6.1.6: contradicting
    ([RUNS, ranged("vers:all/*", B)], {"known_affected": [B], "fixed": [A]}, PERSON),
    # what is plain outranks what may be, but affected only by the very version
    ([RUNS, ranged("<5.2", B)], {"known_affected": [B], "fixed": [A]}, Verdict.FIXED),
    ([ranged("vers:generic/>=5.0", A), ranged("<5.2", B)],
     {"known_affected": [B], "fixed": [A]}, PERSON),
    ([RUNS, ranged("<5.2", B)], {"known_affected": [A], "fixed": [B]}, Verdict.AFFECTED),
]  # fmt: skip


@pytest.mark.parametrize(("leaves", "status", "expected"), STATUS)
def test_what_the_lists_of_product_status_say_of_a_box(
    leaves: list[dict[str, Any]], status: dict[str, list[str]], expected: Verdict | None
) -> None:
    given = document({"branches": [larch(*leaves)]}, vulnerability(**status))
    assert verdict(given) is expected


def test_a_finding_names_the_lines_of_the_document_score_and_remedies() -> None:
    told = AFFECTED | {
        "scores": [
            {
                "products": ["P"],
                "cvss_v3": {
                    "version": "3.1",
                    "baseScore": 7.5,
                    "baseSeverity": "HIGH",
                    "vectorString": "CVSS:3.1/AV:N/AC:L/PR:N/UI:N/S:U/C:N/I:N/A:H",
                },
            }
        ],
        "remediations": [
            {"category": "workaround", "details": "close port 502", "product_ids": ["P"]},
            {"category": "vendor_fix", "details": "update to 5.2", "group_ids": ["G"]},
            {"category": "mitigation", "details": "for another", "product_ids": ["Q"]},
        ],
    }
    tree = {
        "branches": [larch(version("5.1 SP2"), version("5.0", "Q"))],
        "product_groups": [{"group_id": "G", "product_ids": ["P", "Q"]}],
    }
    (found,) = findings(document(tree, told))
    assert (found.path, found.product, found.vulnerability) == (
        "/vulnerabilities/0/product_status/known_affected/0",
        "/product_tree/branches/0/branches/0/branches/0/product",
        "CVE-2026-10004",
    )
    assert (found.score, found.vector) == (7.5, "CVSS:3.1/AV:N/AC:L/PR:N/UI:N/S:U/C:N/I:N/A:H")
    assert [(one.category, one.details) for one in found.remedies] == [
        (Remedy.VENDOR_FIX, "update to 5.2"),
        (Remedy.WORKAROUND, "close port 502"),
    ]


def test_names_that_no_family_here_has_are_told_unless_they_are_said_to_be_elsewhere() -> None:
    tree = {
        "branches": [
            larch(version("1", "P")),
            larch(version("1", "Q"), name="Larch 40"),
            larch(version("1", "R"), name="Alder 2"),
        ]
    }
    found = held([advisory(document(tree, AFFECTED))], FAMILIES, [box()])
    assert found.elsewhere == (("tw-2026-004.json", "Tarnwick Electric Ltd", "Larch 40"),)


def test_a_document_with_too_many_lines_is_left_to_a_person(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(limits, "CSAF_LINES_MAX", 1)
    tree = {"branches": [larch(version("1", "P"), version("2", "Q"))]}
    given = document(tree, vulnerability(known_affected=["P", "Q"]))
    found = held([advisory(given)], FAMILIES, [box()])
    assert ([one.code for one in found.unusable], found.findings) == (["advisory-too-big"], ())
