"""What a believed change is: a class per attribute, and for versions which way it went."""

from __future__ import annotations

from typing import Final

from poller.model.events import Change, ChangeClass, Order
from poller.model.firmware_version import order
from poller.model.nameplate import Difference, Nameplate, differences
from poller.site.register_map import VersionScheme

CLASS: Final = {
    "serNum": ChangeClass.REPLACED,
    "orderCode": ChangeClass.OPTIONS,
    "model": ChangeClass.OPTIONS,
    "vendor": ChangeClass.OPTIONS,
    "hwRev": ChangeClass.OPTIONS,
    "configRev": ChangeClass.SETTINGS,
    "paramRev": ChangeClass.SETTINGS,
    "settingsId": ChangeClass.SETTINGS,
    "location": ChangeClass.SETTINGS,
}
"""Attribute to class; swRev is judged by its order. Until work is planned nothing is planned."""

FIRMWARE: Final = {
    Order.OLDER: ChangeClass.DOWNGRADED,
    Order.TEXT_ONLY: ChangeClass.TEXT_ONLY,
}

SERIOUS: Final = tuple(ChangeClass)  # the enumeration stands most serious first


def classify(
    before: Nameplate, after: Nameplate, scheme: VersionScheme, covers: frozenset[str]
) -> tuple[Change, ...]:
    """One Change per attribute that differs and that the present map can tell.

    covers: names as in nameplate.flat; an attribute that only the former map told is no change.
    """
    return tuple(
        _judge(difference, scheme)
        for difference in differences(before, after)
        if difference.attribute in covers
    )


def _judge(difference: Difference, scheme: VersionScheme) -> Change:
    attribute = difference.attribute.rsplit(".", 1)[-1]
    change, way = CLASS.get(attribute, ChangeClass.UNPLANNED), None
    if attribute == "swRev":
        way = (
            order(difference.before, difference.after, scheme)
            if difference.before is not None and difference.after is not None
            else Order.NOT_COMPARABLE
        )
        change = FIRMWARE.get(way, ChangeClass.UNPLANNED)
    return Change(
        attribute=difference.attribute,
        before=difference.before,
        after=difference.after,
        change=change,
        order=way,
    )


def most_serious(changes: tuple[Change, ...]) -> ChangeClass:
    """The class that names the whole event. changes: at least one."""
    return min((change.change for change in changes), key=SERIOUS.index)
