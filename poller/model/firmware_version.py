"""Firmware versions: the text as the relay spells it, and its place in the order of its scheme.

A scheme reads the whole text or nothing: what it can't read is not comparable, and nobody guesses.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Protocol, TypeAlias, cast

from poller.model import limits
from poller.model.events import Order


class Scheme(Protocol):
    """How a relay family writes versions; poller.site.register_map has the classes.

    kind: dotted, dotted_service_pack, revision_letters or pattern.
    """

    @property
    def kind(self) -> str: ...


class PatternScheme(Scheme, Protocol):
    """pattern: a regular expression with named groups; order: the groups, heaviest first."""

    @property
    def pattern(self) -> str: ...
    @property
    def order(self) -> Sequence[str]: ...


Place: TypeAlias = tuple[int | str, ...]
"""(0,) absent, lowest; (1, number, ...) numbers; (2, length, letters)."""
Key: TypeAlias = tuple[Place, ...]
"""Heaviest place first; all keys of one scheme have as many places."""
ABSENT: Final[Place] = (0,)


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareVersion:
    """key: None where the scheme can't read the text."""

    text: str
    key: Key | None


def read(text: str, scheme: Scheme) -> FirmwareVersion:
    """The text, always kept, and its key."""
    return FirmwareVersion(text=text, key=key(text, scheme))


def order(before: str, after: str, scheme: Scheme) -> Order:
    """Where `after` stands against `before`.

    The first place that differs decides; numbers there against letters are not comparable.
    """
    if before == after:
        return Order.SAME
    old, new = key(before, scheme), key(after, scheme)
    if old is None or new is None:
        return Order.NOT_COMPARABLE
    for was, now in zip(old, new, strict=True):
        if was != now:
            if ABSENT not in (was, now) and was[0] != now[0]:
                return Order.NOT_COMPARABLE
            return Order.NEWER if was < now else Order.OLDER
    return Order.TEXT_ONLY


def readable(text: str, scheme: Scheme) -> bool:
    """Whether the scheme can place this text at all."""
    return key(text, scheme) is not None


def key(text: str, scheme: Scheme) -> Key | None:
    """The text's places under the scheme; None: it can't be read.

    Texts with equal keys stand at the same place. Compare with order(), not with <: a number and
    letters in one place have no order.
    """
    if len(text) > limits.VERSION_TEXT_MAX:
        return None
    return READERS[scheme.kind](text, scheme)


def normal(text: str, scheme: Scheme) -> str | None:
    """The plainest spelling with the same key: V02.10.00 is 2.10; None: it can't be read.

    Under a pattern the text itself: only who wrote the pattern knows how else to spell it.
    """
    places = key(text, scheme)
    return None if places is None else SPELLERS[scheme.kind](text, places)


DOTS: Final = r"[vV]?([0-9]+(?:\.[0-9]+)*)"
DOTTED: Final = re.compile(DOTS)
# [Ss] and not a flag: where case is ignored, s also matches the long s (U+017F)
SERVICE_PACK: Final = re.compile(
    DOTS + r"(?:[ -]?[Ss][Pp][ -]?([0-9]+))?(?:[ -]?[Hh][Ff][ -]?([0-9]+))?"
)
REVISION: Final = re.compile(
    rf"(?:[Rr][Ee][Vv]\.? ?)?([A-Za-z]{{1,{limits.VERSION_REVISION_LETTERS_MAX}}})"
)


def _numbers(dots: str) -> Place:
    """Leading zeros and missing last parts say nothing: 1.0 and 01.0.0 have one key."""
    numbers = [int(part) for part in dots.split(".")]
    while len(numbers) > 1 and numbers[-1] == 0:
        numbers.pop()
    return (1, *numbers)


def _letters(text: str) -> Place:
    """Shorter is older, so that AA comes after Z. Case says nothing."""
    return (2, len(text), text.upper())


def _read_dotted(text: str, scheme: Scheme) -> Key | None:
    """Integers by dots; one v or V before them is skipped."""
    found = DOTTED.fullmatch(text)
    return None if found is None else (_numbers(found[1]),)


def _read_service_pack(text: str, scheme: Scheme) -> Key | None:
    """Dotted, then SP and HF with a number each, in this order; an absent one is 0.

    Before and after SP and HF may stand one space or dash.
    """
    found = SERVICE_PACK.fullmatch(text)
    if found is None:
        return None
    return (_numbers(found[1]), (1, int(found[2] or 0)), (1, int(found[3] or 0)))


def _read_revision(text: str, scheme: Scheme) -> Key | None:
    """One or two letters, with or without "Rev", "Rev." before them; more would be a word."""
    found = REVISION.fullmatch(text)
    return None if found is None else (_letters(found[1]),)


def _read_pattern(text: str, scheme: Scheme) -> Key | None:
    """A place for each group in order: digits, letters or absent; any other text is not read."""
    pattern = cast(PatternScheme, scheme)
    found = _compiled(pattern.pattern).fullmatch(text)
    if found is None:
        return None
    places = [_place(found[group]) for group in pattern.order]
    return None if None in places else tuple(place for place in places if place is not None)


def _place(text: str | None) -> Place | None:
    if not text:
        return ABSENT
    if not text.isascii():
        return None
    if text.isdigit():
        return (1, int(text))
    return _letters(text) if text.isalpha() else None


@lru_cache(maxsize=limits.VERSION_PATTERNS_KEPT)
def _compiled(pattern: str) -> re.Pattern[str]:
    r"""ASCII, so that \d is 0 to 9 and ignoring case adds no letters."""
    return re.compile(pattern, re.ASCII)


READERS: Final[dict[str, Callable[[str, Scheme], Key | None]]] = {
    "dotted": _read_dotted,
    "dotted_service_pack": _read_service_pack,
    "revision_letters": _read_revision,
    "pattern": _read_pattern,
}


def _dots(place: Place) -> str:
    return ".".join(str(number) for number in place[1:])


def _spell_packs(text: str, places: Key) -> str:
    dots, pack, fix = places
    parts = [_dots(dots)]
    parts += [f"SP{pack[1]}"] if pack[1] else []
    parts += [f"HF{fix[1]}"] if fix[1] else []
    return " ".join(parts)


SPELLERS: Final[dict[str, Callable[[str, Key], str]]] = {
    "dotted": lambda text, places: _dots(places[0]),
    "dotted_service_pack": _spell_packs,
    "revision_letters": lambda text, places: str(places[0][2]),
    "pattern": lambda text, places: text,
}
