"""Addresses taken out of everything that is told, and what might be a secret out of remarks.

Hidden are the hosts that the configuration names, wherever they stand, and what reads as an IPv4,
IPv6 or MAC address; but no text that is a version of some firmware: four numbers may be both.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import Any, Final, TypeVar

from poller.model.nameplate import flat
from poller.model.standing import State
from poller.model.standing import shown as present
from poller.site.secrets import SECRET

HIDDEN: Final = "(address)"
WITHHELD: Final = "# (a remark is left out: it might hold a secret)"
# settings whose values say where something is
PLACES: Final = re.compile(r"hosts?|hostname|source_address|names|clients|groups|url|endpoint")
KEEP: Final = frozenset({"localhost", ""})
# a run of what addresses are made of; whether it is one is asked of ipaddress
RUN: Final = re.compile(r"(?<![\w.])[0-9A-Fa-f.:]{3,}[0-9A-Fa-f:](?:/\d{1,3})?(?!\w)")
MAC: Final = re.compile(
    r"(?<![\w:-])[0-9A-Fa-f]{2}([:-])(?:[0-9A-Fa-f]{2}\1){4}[0-9A-Fa-f]{2}(?!\w)"
)
REMARK: Final = re.compile(rf"#.*\b(?:{SECRET.pattern})\b\s*[:=].*$", re.IGNORECASE | re.MULTILINE)
T = TypeVar("T")


def without_secrets(text: str) -> str:
    """A configuration; secrets themselves are refused in it, but nobody reads its remarks."""
    return REMARK.sub(WITHHELD, text)


def hider(configurations: Iterable[Mapping[str, Any]], state: State) -> Callable[[str], str]:
    """A function that hides addresses in a text. configurations: the keys of site files."""
    hosts = {relay.address.rpartition(":")[0] for relay in state.relays.values()}
    for keys in configurations:
        hosts |= set(_places(keys))
    names = {one.strip("[]") for one in hosts} - KEEP - state.relays.keys()
    known = sorted(names, key=lambda one: (-len(one), one))
    pattern = re.compile(
        rf"(?<![\w.-])(?:{'|'.join(map(re.escape, known)) or '(?!)'})(?![\w-]|\.\w)"
    )
    versions = set(_versions(state))

    def run(found: re.Match[str]) -> str:
        text = found.group()
        return HIDDEN if text not in versions and _is_address(text) else text

    def hide(text: str) -> str:
        return MAC.sub(HIDDEN, RUN.sub(run, pattern.sub(HIDDEN, text)))

    return hide


def mapped(value: T, change: Callable[[str], str]) -> T:
    """The same with every text changed, however deep it stands in dataclasses, tuples and dicts."""
    found: Any = value
    if isinstance(found, Enum):
        return value
    if isinstance(found, str):
        found = change(found)
    elif isinstance(found, tuple):
        found = tuple(mapped(one, change) for one in found)
    elif isinstance(found, dict):
        found = {name: mapped(one, change) for name, one in found.items()}
    elif is_dataclass(found) and not isinstance(found, type):
        found = replace(
            found, **{one.name: mapped(getattr(found, one.name), change) for one in fields(found)}
        )
    result: T = found
    return result


def _is_address(text: str) -> bool:
    """Also with a port or a length of prefix behind it."""
    bare = text.partition("/")[0]
    for one in (bare, bare.rpartition(":")[0]):
        try:
            ipaddress.ip_address(one)
        except ValueError:
            continue
        return "." in one or one.count(":") > 1
    return False


def _places(value: Any, *, inside: bool = False) -> Iterator[str]:
    """Every text under a key that says where something is."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from _places(one, inside=inside or bool(PLACES.fullmatch(str(key))))
    elif isinstance(value, list):
        for one in value:
            yield from _places(one, inside=inside)
    elif isinstance(value, str) and inside:
        yield value


def _versions(state: State) -> Iterator[str]:
    for relay in state.relays.values():
        accepted = None if relay.baseline is None else relay.baseline.nameplate
        for plate in (relay.nameplate, present(relay), accepted):
            if plate is not None:
                yield from flat(plate).values()
    for work in state.works.values():
        yield from work.plan.expects.values()
        yield from work.plan.before.values()
