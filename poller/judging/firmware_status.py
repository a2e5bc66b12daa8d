"""Each firmware of a relay against the approved list, and when that becomes news."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final, TypeAlias

from poller.model.events import Body, Event, FirmwareStatusChanged, Order
from poller.model.firmware_version import order
from poller.model.nameplate import Nameplate, flat
from poller.model.standing import Firmware, Relay, State, shown
from poller.model.work import FirmwareStatus
from poller.site.approved import (
    Approved,
    Rule,
    attributes,
    is_approved,
    rule_for,
    same_version,
    withdrawn,
)
from poller.site.settings import Site

ALLOWED: Final = frozenset({FirmwareStatus.CURRENT, FirmwareStatus.APPROVED_OLDER})
"""What may run as it is; all else wants a person."""

AGAINST_TARGET: Final = {
    # order of the version against the target: what it is where approved, and where not
    Order.OLDER: (FirmwareStatus.APPROVED_OLDER, FirmwareStatus.NOT_APPROVED),
    Order.NEWER: (FirmwareStatus.NEWER_THAN_TARGET, FirmwareStatus.NEWER_THAN_TARGET),
    Order.NOT_COMPARABLE: (FirmwareStatus.NOT_COMPARABLE, FirmwareStatus.NOT_COMPARABLE),
}


def status_of(version: str | None, rule: Rule | None) -> FirmwareStatus:
    """Where one version stands under the one rule that matches its relay.

    version: as the relay spells it, None where it was not read; rule: None where none matches.
    Withdrawn is said before all else, since it must not run whatever its place in the order. A
    version that nobody approved and that is newer than the target reads newer_than_target.
    """
    if version is None:
        return FirmwareStatus.NOT_READ
    if rule is None:
        return FirmwareStatus.NO_RULE
    if withdrawn(rule, version) is not None:
        return FirmwareStatus.WITHDRAWN
    if same_version(rule, rule.target, version):
        return FirmwareStatus.CURRENT
    against = order(rule.target, version, rule.version_scheme)
    approved, not_approved = AGAINST_TARGET[against]
    return approved if is_approved(rule, version) else not_approved


def follow(
    before: State,
    after: State,
    site: Site,
    events: Sequence[Event] | None = None,
    at: datetime | None = None,
) -> list[tuple[str, Body]]:
    """Changes of firmware status between two states: (relay, body), by relay and attribute.

    Looks at relays that changed, and at all where the site did. events: all that lie between, so
    that only their relays are looked at; None: any may have changed. A relay whose nameplate was
    neither read nor entered has none yet; a firmware that its nameplate no longer tells reads
    not_read.
    """
    everything = before.site_sha256 != after.site_sha256
    all_names = everything or events is None
    names = after.relays if all_names else {event.subject for event in events or ()}
    out: list[tuple[str, Body]] = []
    for name in sorted(names):
        relay = after.relays.get(name)
        if relay is None or not relay.listed:
            continue
        if everything or before.relays.get(name) is not relay:
            out += [(name, body) for body in _changes(relay, site.approved)]
    return out


def _changes(relay: Relay, approved: Approved | None) -> Iterator[FirmwareStatusChanged]:
    nameplate = shown(relay)
    if nameplate is None:
        return
    told = attributes(nameplate) if approved is not None else ()
    for attribute in (*told, *sorted(relay.firmware.keys() - set(told))):
        known = relay.firmware.get(attribute)
        now = _judged(nameplate, attribute, approved)
        if _same(known, now):
            continue
        status, version, target, rule = now
        yield FirmwareStatusChanged(
            attribute=attribute,
            before=None if known is None else known.status,
            after=status,
            version=version,
            target=target,
            rule=rule,
        )


Judged: TypeAlias = tuple[FirmwareStatus, str | None, str | None, str | None]
"""Status, version, target, id of the rule."""


def _judged(nameplate: Nameplate, attribute: str, approved: Approved | None) -> Judged:
    version = flat(nameplate).get(attribute)
    rule = None if approved is None else rule_for(approved, nameplate, attribute)
    status = status_of(version, rule)
    return (
        (status, version, None, None) if rule is None else (status, version, rule.target, rule.id)
    )


def _same(known: Firmware | None, now: Judged) -> bool:
    return known is not None and (known.status, known.version, known.target, known.rule) == now
