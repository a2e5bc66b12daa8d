"""Site files as text: what a program drafts and a person goes on writing."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import Final

from poller.model.text import shown

ID_MAX: Final = 40  # settings.Id
PLAIN: Final = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*( [A-Za-z0-9_.-]+)*")
IPV4: Final = re.compile(r"[0-9]{1,3}(\.[0-9]{1,3}){3}")
# texts to this reader or to another; in quotes they are text to every one
NOT_TEXT: Final = frozenset({"true", "false", "null", "yes", "no", "on", "off", "y", "n"})
ESCAPED: Final = {'"': '\\"', "\\": "\\\\"}


def scalar(value: str | int | float) -> str:
    """As it stands behind a key and is read back the same: plain where it can be, else quoted."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if not isinstance(value, str):
        return repr(value)
    plain = PLAIN.fullmatch(value) and value.lower() not in NOT_TEXT
    return value if plain or IPV4.fullmatch(value) else quoted(value)


def quoted(text: str) -> str:
    """In double quotes, with nothing in it that has no look of its own (YAML 1.2.2, 5.7)."""
    return f'"{"".join(map(_escaped, text))}"'


def _escaped(character: str) -> str:
    if character in ESCAPED:
        return ESCAPED[character]
    if character.isprintable():
        return character
    number = ord(character)
    if number <= 0xFF:
        return f"\\x{number:02x}"
    return f"\\u{number:04x}" if number <= 0xFFFF else f"\\U{number:08x}"


def listed(values: Iterable[str]) -> str:
    """[larch, pike-3]"""
    return f"[{', '.join(map(scalar, values))}]"


def comment(text: str, indent: str = "") -> str:
    """One line, whatever the text holds."""
    return f"{indent}# {shown(text, most=1_000)}"


def head(site: str, name: str) -> list[str]:
    """The keys that stand before the relays."""
    return [
        "format: 1",
        f"site: {scalar(site)}    # stands in every topic; permanent, so choose it first",
        f"name: {scalar(name)}",
    ]


def slug(text: str, otherwise: str) -> str:
    """An id made of a name: small letters, digits and dashes; the same for the same name.

    Accents are dropped, letters of other scripts become dashes. otherwise: where nothing is left.
    """
    apart = unicodedata.normalize("NFKD", text.casefold())
    letters = "".join(one for one in apart if not unicodedata.combining(one))
    return re.sub(r"[^a-z0-9]+", "-", letters).strip("-")[:ID_MAX].strip("-") or otherwise


class Ids:
    """Gives each name an id that no other has: q01, q01-2, q01-3."""

    def __init__(self) -> None:
        self._given: set[str] = set()
        self._next: dict[str, int] = {}

    def take(self, name: str, otherwise: str) -> str:
        wanted = found = slug(name, otherwise)
        number = self._next.get(wanted, 2)
        while found in self._given:
            ending = f"-{number}"
            found = wanted[: ID_MAX - len(ending)].rstrip("-") + ending
            number += 1
        self._next[wanted] = number
        self._given.add(found)
        return found
