"""Invented advisories in the form of CSAF 2.0, and the boxes and families they are held against."""

from __future__ import annotations

import json
from typing import Any, Final

from poller.model.nameplate import Component, Nameplate
from poller.planning.advisories import Finding, Verdict, held
from poller.planning.boxes import Box
from poller.planning.csaf import Advisory, read
from poller.site.advisory_families import AdvisoryFamilies

FAMILIES: Final = AdvisoryFamilies.model_validate(
    {
        "format": 1,
        "families": [
            {
                "id": "larch",
                "family": "Larch protection",
                "relays": {"vendors": ["Tarnwick Electric"], "models": ["LARCH-*"]},
                "named": {"vendors": ["Tarnwick*"], "products": ["Larch 21", "Larch firmware"]},
                "version_scheme": {"kind": "dotted_service_pack"},
            },
            {
                "id": "larch-boot",
                "family": "Larch boot program",
                "relays": {"models": ["LARCH-*"]},
                "named": {"vendors": ["Tarnwick*"], "products": ["Larch boot program"]},
                "firmware": "boot",
                "version_scheme": {"kind": "dotted"},
            },
        ],
        "elsewhere": [{"products": ["Alder*"]}],
    }
)
PLATE: Final = {
    "vendor": "Tarnwick Electric",
    "model": "LARCH-21",
    "serNum": "TW1900001",
    "orderCode": "L21-4C-2E-0",
    "swRev": "5.1 SP2",
}


def box(**told: str | None) -> Box:
    plate = Nameplate(**(PLATE | told), components=(Component(name="boot", swRev="2.4"),))
    return Box(relay="q01-main1", place=None, plate=plate)


def version(name: str, product_id: str = "P", **helper: Any) -> dict[str, Any]:
    return _leaf("product_version", name, product_id, helper)


def ranged(name: str, product_id: str = "P", **helper: Any) -> dict[str, Any]:
    return _leaf("product_version_range", name, product_id, helper)


def _leaf(category: str, name: str, product_id: str, helper: dict[str, Any]) -> dict[str, Any]:
    return branch(category, name, product=full(f"Larch 21 {name}", product_id, **helper))


def full(name: str, product_id: str, **helper: Any) -> dict[str, Any]:
    given: dict[str, Any] = {"name": name, "product_id": product_id}
    return given | ({"product_identification_helper": helper} if helper else {})


def branch(category: str, name: str, *inner: Any, **more: Any) -> dict[str, Any]:
    return {"category": category, "name": name} | ({"branches": [*inner]} if inner else {}) | more


def larch(*inner: dict[str, Any], name: str = "Larch 21") -> dict[str, Any]:
    """A tree of one vendor and one product with these branches under it."""
    return branch("vendor", "Tarnwick Electric Ltd", branch("product_name", name, *inner))


def document(tree: dict[str, Any], *vulnerabilities: Any, **tracking: str) -> dict[str, Any]:
    """tree: as product_tree; vulnerabilities: as in the document."""
    told = {
        "id": "TW-2026-004",
        "current_release_date": "2026-02-10T09:00:00Z",
        "initial_release_date": "2026-02-10T09:00:00Z",
        "status": "final",
        "version": "1",
        "revision_history": [{"date": "2026-02-10T09:00:00Z", "number": "1", "summary": "first"}],
    }
    given = {
        "document": {
            "category": "csaf_security_advisory",
            "csaf_version": "2.0",
            "publisher": {
                "category": "vendor",
                "name": "Tarnwick Electric",
                "namespace": "https://tarnwick.example",
            },
            "title": "Larch: a frame ends communication",
            "tracking": told | tracking,
        },
        "product_tree": tree,
    }
    return given | ({"vulnerabilities": list(vulnerabilities)} if vulnerabilities else {})


def vulnerability(**status: list[str]) -> dict[str, Any]:
    return {"cve": "CVE-2026-10004", "product_status": status}


def advisory(given: dict[str, Any], file: str = "tw-2026-004.json") -> Advisory:
    return read(json.dumps(given).encode(), file)


def findings(given: dict[str, Any], *boxes: Box) -> tuple[Finding, ...]:
    return held([advisory(given)], FAMILIES, boxes or [box()]).findings


def verdict(given: dict[str, Any], one: Box | None = None) -> Verdict | None:
    """Of the one vulnerability; None: the document says nothing of this box."""
    found = findings(given, one or box())
    assert len(found) <= 1
    return found[0].verdict if found else None
