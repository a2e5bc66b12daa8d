"""Which relay somebody may have meant by a name that no relay has."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Final

from poller.model.refusal import Refusal
from poller.model.standing import Relay

NEAR_MAX: Final = 5  # more are no help
ASKED_MAX: Final = 64  # characters that are compared
ALIKE: Final = 0.66  # of 1, as difflib has it: one letter of three may be another
LETTERS_MIN: Final = 2  # of the beginning of a name


def positions(relays: Mapping[str, Relay]) -> dict[str, str]:
    """Id to bay and function, of those that the site lists."""
    return {name: f"{relay.bay} {relay.function}" for name, relay in relays.items() if relay.listed}


def near(asked: str, named: Mapping[str, str]) -> tuple[str, ...]:
    """Ids that may be meant: of that position or in other letters, that begin so, or are like it.

    named: as positions() gives it.
    """
    wanted = _plain(asked[:ASKED_MAX])
    by_name: dict[str, list[str]] = {}
    for name, position in named.items():
        for one in {_plain(name), _plain(position)}:
            by_name.setdefault(one, []).append(name)
    if wanted in by_name:
        return _few(by_name[wanted])
    begins = [one for one in by_name if len(wanted) >= LETTERS_MIN and one.startswith(wanted)]
    alike = begins or get_close_matches(wanted, by_name, NEAR_MAX, ALIKE)
    return _few(name for one in alike for name in by_name[one])


def instead(ids: Iterable[str], otherwise: str) -> str:
    """What to say of it. otherwise: what helps where nothing is near."""
    told = tuple(ids)
    verb = "is" if len(told) == 1 else "are"
    return f"there {verb} {', '.join(told)}" if told else otherwise


def unlisted(name: str, relays: Mapping[str, Relay]) -> Refusal:
    there = near(name, positions(relays))
    return Refusal(f"{name}: the site lists no such relay; {instead(there, 'see: bayroll list')}")


def _plain(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum())


def _few(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names))[:NEAR_MAX]
