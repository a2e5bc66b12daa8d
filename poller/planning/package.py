"""A package file against the approved list, and against each relay that it is meant for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from poller.model.nameplate import Nameplate, flat
from poller.model.standing import State
from poller.model.standing import shown as present
from poller.model.status import Quality, StatusReading
from poller.model.text import shown
from poller.planning.ways import way
from poller.site.approved import Approved, Rule, any_of, hardware_of, rule_for, same_version
from poller.site.packages import Package


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """A package of the approved list, with the rule that it stands in."""

    rule: Rule
    package: Package


def listed(approved: Approved | None, file: str, sha256: str) -> Listed | None:
    """By its digest, whatever the file is called; else the one of that name."""
    known = [
        Listed(rule=rule, package=package)
        for rule in (() if approved is None else approved.rules)
        for package in rule.packages
    ]
    same = [one for one in known if one.package.sha256 == sha256]
    named = [one for one in known if one.package.file == file]
    return next(iter((*same, *named)), None)


def against_list(found: Listed | None, size: int, sha256: str) -> Iterator[str]:
    """What speaks against the file, in sentences."""
    if found is None:
        yield "no package of the approved list has this SHA-256 or this file name"
        return
    package = found.package
    if package.size != size:
        yield f"it is {size:,} octets long, the approved list says {package.size:,}"
    if package.sha256 != sha256:
        yield f"its SHA-256 is {sha256}, the approved list says {package.sha256}"


def digest_says(package: Package) -> str:
    """Where, when, by whom and how the digest came from its source."""
    told = package.digest
    return f"from {told.source} on {told.on} by {told.by}: {told.how}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A relay that the package is meant for.

    fits: by hardware and order code; None: the nameplate does not tell what the rule asks for.
    step: whether the procedure permits this version from what runs, at once; through others, or not
    at all. memory_kb: what the step needs; free_kb: what is free there; None: not known.
    """

    relay: str
    present: str | None
    fits: bool | None
    why: str
    step: str
    memory_kb: int | None
    free_kb: int | None

    @property
    def memory_lacks(self) -> bool:
        return (
            self.memory_kb is not None
            and self.free_kb is not None
            and self.free_kb < self.memory_kb
        )


def fits(
    found: Listed,
    approved: Approved,
    state: State,
    readings: Mapping[str, StatusReading],
) -> tuple[Fit, ...]:
    """Of each listed relay of the rule's makers and models that does not run the version yet."""
    told = []
    for name, relay in sorted(state.relays.items()):
        plate = present(relay)
        if not relay.listed or plate is None or not _meant(found.rule, plate):
            continue
        running = flat(plate).get(found.rule.attribute)
        if running is not None and same_version(found.rule, running, found.package.version):
            continue
        told.append(_fit(found, approved, name, plate, running, readings.get(name)))
    return tuple(told)


def _meant(rule: Rule, plate: Nameplate) -> bool:
    match = rule.match
    return any_of(match.vendors, plate.vendor) and any_of(match.models, plate.model)


def _fit(
    found: Listed,
    approved: Approved,
    name: str,
    plate: Nameplate,
    running: str | None,
    reading: StatusReading | None,
) -> Fit:
    rule, version = found.rule, found.package.version
    good = _fits(rule, approved, plate)
    steps = None if running is None else way(rule, running, version)
    says = "no way is permitted"
    memory = None
    if running is None:
        says = "what runs is not known"
    elif steps is not None and len(steps) == 1:
        says, memory = "in one step", steps[0].memory_kb
    elif steps:
        says, memory = f"through {steps[0].to} first", steps[-1].memory_kb
    return Fit(
        relay=name,
        present=running,
        fits=good,
        why="" if good else _misfit(rule, plate),
        step=says,
        memory_kb=memory,
        free_kb=_free(reading),
    )


def _fits(rule: Rule, approved: Approved, plate: Nameplate) -> bool | None:
    if rule_for(approved, plate, rule.attribute) is rule:
        return True
    asks = (
        (rule.match.order_code, plate.orderCode),
        (rule.match.hardware, hardware_of(rule, plate)),
    )
    blind = any(wanted is not None and told is None for wanted, told in asks)
    return None if blind else False


def _misfit(rule: Rule, plate: Nameplate) -> str:
    told = {"hardware": hardware_of(rule, plate), "order code": plate.orderCode}
    says = (
        f"{name} {'that is not known' if text is None else shown(text, 60)}"
        for name, text in told.items()
    )
    return f"rule {rule.id} is not for {' and '.join(says)}"


def _free(reading: StatusReading | None) -> int | None:
    if reading is None or reading.quality_of("free_memory_kb") is not Quality.GOOD:
        return None
    return reading.status.free_memory_kb
