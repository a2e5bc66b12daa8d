"""Which firmware runs where: of each rule of the approved list how many relays on which version.

Text of devices stands in rows as model.text.shown gives it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, TypeAlias

from poller.answers.listing import natural
from poller.answers.words import position
from poller.answers.work_words import FIRMWARE
from poller.judging.firmware_status import status_of
from poller.model import firmware_version
from poller.model.standing import State
from poller.model.text import shown
from poller.model.work import FirmwareStatus
from poller.site.approved import DEVICE, Rule, same_version, withdrawn
from poller.site.settings import Site

NO_RULE: Final = "no rule"
Version: TypeAlias = str | None
"""As the relay spells it; None: not read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class At:
    """A relay that runs it."""

    relay: str
    position: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VersionRow:
    """version: None: not read. says: its status in words, and why where it was withdrawn.

    target: it is the one that every relay of the family is to run.
    """

    version: str | None
    status: FirmwareStatus
    says: str
    target: bool
    relays: tuple[At, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyRow:
    """rule: its id; None: what no rule is for. firmware: device, or the component's name.

    versions: those of the list too that nobody runs, the newest first, what was not read last.
    """

    rule: str | None
    family: str
    firmware: str
    target: str | None
    relays: int
    on_target: int
    versions: tuple[VersionRow, ...]


Key: TypeAlias = tuple[str | None, str]
"""Id of the rule, attribute: swRev or components.NAME.swRev."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """What one rule is for, or one firmware without a rule. running: ids of relays by version, as
    it was read; those of the list too that nobody runs, in the order of the table."""

    key: Key
    rule: Rule | None
    running: dict[Version, list[str]]


def families(state: State, site: Site) -> tuple[FamilyRow, ...]:
    return tuple(family(one, state) for one in groups(state, site))


def groups(state: State, site: Site) -> Iterator[Group]:
    """In the order of the approved list; what no rule is for at the end, by firmware."""
    found: dict[Key, dict[Version, list[str]]] = defaultdict(lambda: defaultdict(list))
    for name, relay in state.relays.items():
        if relay.listed:
            for attribute, one in relay.firmware.items():
                found[one.rule, attribute][one.version].append(name)
    rules = {} if site.approved is None else {one.id: one for one in site.approved.rules}
    keys: list[Key] = [(one.id, one.attribute) for one in rules.values()]
    keys += sorted((key for key in found if key not in keys), key=lambda key: (key[1], str(key)))
    for key in keys:
        rule, running = rules.get(key[0] or ""), dict(found.get(key, {}))
        for version in _listed(rule):
            if not any(_same(rule, version, other) for other in running):
                running[version] = []
        yield Group(
            key=key,
            rule=rule,
            running={version: running[version] for version in ordered(running, rule)},
        )


def family(one: Group, state: State) -> FamilyRow:
    rule, attribute = one.rule, one.key[1]
    rows = [version_row(version, names, rule, state) for version, names in one.running.items()]
    return FamilyRow(
        rule=one.key[0],
        family=NO_RULE if rule is None else rule.family,
        firmware=DEVICE if attribute == "swRev" else shown(attribute.split(".")[1]),
        target=None if rule is None else rule.target,
        relays=sum(len(row.relays) for row in rows),
        on_target=sum(len(row.relays) for row in rows if row.target),
        versions=tuple(rows),
    )


def _listed(rule: Rule | None) -> Iterator[str]:
    if rule is not None:
        yield from (rule.target, *rule.approved, *(one.version for one in rule.withdrawn))


def _same(rule: Rule | None, one: Version, other: Version) -> bool:
    if rule is None or one is None or other is None:
        return one == other
    return same_version(rule, one, other)


def version_row(
    version: Version, names: Iterable[str], rule: Rule | None, state: State
) -> VersionRow:
    status = status_of(version, rule)
    there = (At(relay=name, position=position(name, state)) for name in names)
    return VersionRow(
        version=None if version is None else shown(version),
        status=status,
        says=_says(status, version, rule),
        target=rule is not None
        and version is not None
        and same_version(rule, rule.target, version),
        relays=tuple(sorted(there, key=lambda one: natural(one.position))),
    )


def _says(status: FirmwareStatus, version: Version, rule: Rule | None) -> str:
    gone = None if rule is None or version is None else withdrawn(rule, version)
    if gone is not None:
        return f"withdrawn on {gone.on}: {gone.why}"
    return "the target" if status is FirmwareStatus.CURRENT else FIRMWARE[status]


def ordered(versions: Iterable[Version], rule: Rule | None) -> list[Version]:
    """The newest first; those without a place in the order after them, not read last."""

    def place(version: Version) -> tuple[int, object]:
        if version is None:
            return 0, ()
        key = None if rule is None else firmware_version.key(version, rule.version_scheme)
        return (1, natural(version)) if key is None else (2, key)

    return sorted(versions, key=place, reverse=True)
