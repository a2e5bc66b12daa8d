"""Which packages are to be fetched for what is due, as each maker asks for them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from poller.model.standing import State
from poller.model.standing import shown as present
from poller.planning.due import Due
from poller.site.approved import Rule, same_version


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetch:
    """A package and one thing that its maker asks for: a family, an order code or a serial number.

    what: that text; None: the nameplate does not tell it. relays: those that it is for. files: of
    the approved list; checked: each of them was checked, and nothing spoke against it.
    """

    rule: Rule
    version: str
    what: str | None
    relays: tuple[str, ...]
    files: tuple[str, ...]
    checked: bool


def to_fetch(found: Iterable[Due], state: State) -> tuple[Fetch, ...]:
    """By maker's family, version, and what is asked for; every step of each way."""
    wanted: dict[tuple[str, str, str], tuple[Rule, str, str | None, list[str]]] = {}
    for one in found:
        if one.relay is None or one.waits is not None:
            continue
        for course in one.courses:
            for step in course.way or ():
                what = _asked(course.rule, state, one.relay)
                key = (course.rule.id, step.to, what or "")
                wanted.setdefault(key, (course.rule, step.to, what, []))[3].append(one.relay)
    return tuple(
        Fetch(
            rule=rule,
            version=version,
            what=what,
            relays=tuple(sorted(relays)),
            files=tuple(
                package.file
                for package in rule.packages
                if same_version(rule, package.version, version)
            ),
            checked=_checked(rule, version, state),
        )
        for _, (rule, version, what, relays) in sorted(wanted.items())
    )


def _asked(rule: Rule, state: State, relay: str) -> str | None:
    plate = present(state.relays[relay])
    match rule.fetched_by:
        case "order_code":
            return None if plate is None else plate.orderCode
        case "serial_number":
            return None if plate is None else plate.serNum
        case _:
            return rule.family


def _checked(rule: Rule, version: str, state: State) -> bool:
    digests = [
        package.sha256 for package in rule.packages if same_version(rule, package.version, version)
    ]
    known = (state.packages.get(digest) for digest in digests)
    return bool(digests) and all(one is not None and one.passed for one in known)
