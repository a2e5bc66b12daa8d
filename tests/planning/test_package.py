"""Whether a package fits a relay, and whether there is room for it. Worked by hand."""

from __future__ import annotations

import pytest

from poller.model.nameplate import Component, Nameplate
from poller.model.standing import Relay, State
from poller.planning.package import Fit, Listed, fits
from poller.site.approved import Approved
from tests.work.substation import reading

APPROVED = Approved.model_validate(
    {
        "format": 1,
        "rules": [
            {
                "id": rule,
                "family": "Larch",
                "match": {
                    "vendors": ["Tarnwick Electric"],
                    "order_code": "L21-?C-*",
                    "hardware": {"from": "B", "to": "D"},
                },
                "firmware": firmware,
                "version_scheme": {"kind": "dotted"},
                "target": "5.2",
                "approved": ["5.2"],
                "steps": [
                    {
                        "from": "5.1",
                        "to": "5.2",
                        "direction": "update",
                        "settings_survive": True,
                        "can_be_undone": True,
                        "minutes": 15,
                        "retry_allowed": True,
                        "memory_kb": 256,
                    }
                ],
                "packages": [
                    {
                        "version": "5.2",
                        "file": f"{rule}.bin",
                        "size": 9,
                        "sha256": sha256 * 64,
                        "digest": {"source": "s", "on": "2026-02-10", "by": "b", "how": "h"},
                    }
                ],
            }
            for rule, firmware, sha256 in (("larch", "device", "a"), ("card", "card", "b"))
        ],
    }
)
LARCH, CARD = (Listed(rule=rule, package=rule.packages[0]) for rule in APPROVED.rules)


def fit(
    found: Listed = LARCH,
    *,
    hardware: str | None = "C",
    order_code: str | None = "L21-4C-2E",
    card: str | None = "C",
    free_kb: int | None = 1_024,
    bad: tuple[str, ...] = (),
) -> Fit:
    plate = Nameplate(
        vendor="Tarnwick Electric",
        hwRev=hardware,
        orderCode=order_code,
        swRev="5.1",
        components=(Component(name="card", hwRev=card, swRev="5.1"),),
    )
    state = State(relays={"q1": Relay(bay="Q1", function="main", address="h", nameplate=plate)})
    [told] = fits(found, APPROVED, state, {"q1": reading(free_memory_kb=free_kb, bad=bad)})
    return told


# hardware ; order code ; fits
HARDWARE = """
B  ; L21-4C-2E ; True
D  ; L21-6C-   ; True
A  ; L21-4C-2E ; False   # below the first
E  ; L21-4C-2E ; False   # above the last
C  ; L21-4D-2E ; False   # another letter at a place that is fixed
-  ; L21-4C-2E ; None    # the relay does not tell its hardware
C  ; -         ; None    # nor its order code
"""


@pytest.mark.parametrize("line", HARDWARE.strip().splitlines())
def test_a_package_fits_by_hardware_and_order_code(line: str) -> None:
    cells = (cell.strip() for cell in line.partition("#")[0].split(";"))
    hardware, order_code, says = (None if cell == "-" else cell for cell in cells)
    assert str(fit(hardware=hardware, order_code=order_code).fits) == says


@pytest.mark.parametrize(("card", "says"), [("C", True), ("A", False)])
def test_a_card_that_tells_its_own_hardware_is_held_to_that(card: str, says: bool) -> None:
    assert fit(CARD, hardware=None, card=card).fits is says


def test_a_card_that_does_not_fit_is_told_by_its_own_hardware() -> None:
    assert fit(CARD, hardware="C", card="A").why == (
        "rule card is not for hardware A and order code L21-4C-2E"
    )


@pytest.mark.parametrize(("free_kb", "lacks"), [(255, True), (256, False), (None, False)])
def test_the_memory_that_it_needs_is_held_against_what_is_free(
    free_kb: int | None, lacks: bool
) -> None:
    told = fit(free_kb=free_kb)
    assert (told.memory_kb, told.free_kb, told.memory_lacks) == (256, free_kb, lacks)


def test_memory_that_was_read_badly_is_not_known() -> None:
    assert fit(free_kb=100, bad=("free_memory_kb",)).free_kb is None
