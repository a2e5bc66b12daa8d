"""Whether two rules of the approved list can both match one relay; decided exactly, not guessed.

A rule asks for each attribute on its own, so two rules share a relay where they share a text of
every attribute.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final

from poller.model.firmware_version import Key
from poller.model.text import shown
from poller.site import globs
from poller.site.approved import Approved, Hardware, Rule, alike, revision
from poller.site.faults import Fault

ANYTHING: Final = "anything"  # both rules take whatever stands there, or nothing


def overlaps(one: Approved) -> Iterator[Fault]:
    """Of each two rules that share a relay, the later is at fault."""
    for (_, first), (at, rule) in combinations(enumerate(one.rules), 2):
        shared = shared_relay(first, rule)
        if shared is None:
            continue
        told = [f"{name} {shown(text)}" for name, text in shared.items() if text != ANYTHING]
        example = ", for example " + ", ".join(told) if told else "; both are for any relay"
        yield Fault(
            path=("rules", at, "match"),
            code="approved-rules-overlap",
            what=f"{first.id} matches such relays too{example}",
            mend="narrow one of them until no relay fits both, or make them one rule",
        )


def shared_relay(one: Rule, other: Rule) -> dict[str, str] | None:
    """A relay that both rules are for, attribute to text; None: there is none."""
    if one.attribute != other.attribute:
        return None
    a, b = one.match, other.match
    shared = {
        "vendor": _text(a.vendors, b.vendors),
        "model": _text(a.models, b.models),
        "orderCode": _text(_listed(a.order_code), _listed(b.order_code)),
        "hwRev": _revision(a.hardware, b.hardware),
    }
    found = {name: text for name, text in shared.items() if text is not None}
    return found if len(found) == len(shared) else None


def _listed(pattern: str | None) -> tuple[str, ...]:
    return () if pattern is None else (pattern,)


def _text(one: Sequence[str], other: Sequence[str]) -> str | None:
    """A text that a pattern of each list matches; an empty list matches any."""
    if not one and not other:
        return ANYTHING
    found = (globs.common(a, b) for a in one or ("*",) for b in other or ("*",))
    return next((text for text in found if text is not None), None)


def _revision(one: Hardware | None, other: Hardware | None) -> str | None:
    """The lowest revision that lies in both ranges, else the highest."""
    lows = [range_.from_ for range_ in (one, other) if range_ is not None and range_.from_]
    highs = [range_.to for range_ in (one, other) if range_ is not None and range_.to]
    places = {text: place for text in (*lows, *highs) if (place := revision(text)) is not None}
    if not lows and not highs:
        return ANYTHING
    if len(places) < len({*lows, *highs}) or not _one_kind(list(places.values())):
        return None
    low = max(lows, key=places.__getitem__, default=None)
    high = min(highs, key=places.__getitem__, default=None)
    if low is not None and high is not None and places[high] < places[low]:
        return None
    return low or high


def _one_kind(places: Sequence[Key]) -> bool:
    return all(alike(places[0], place) for place in places)
