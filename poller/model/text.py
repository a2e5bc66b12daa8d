"""Text from devices and people, made safe to show: nothing in it can move a cursor or turn a line.

Not in canonical JSON, where the text stays as it was read.
"""

from __future__ import annotations

import unicodedata
from typing import Final

from poller.model import limits

CUT: Final = "…"  # stands where the rest was left out


def shown(text: str, most: int = limits.TEXT_MAX) -> str:
    r"""The text with every character that has no look of its own as an escape: \x07, \u202e.

    Escaped are control and format characters (bidirectional ones among them), halves of surrogate
    pairs, private and unassigned characters, line and paragraph separators: Unicode categories
    C*, Zl and Zp. A backslash stays, so that showing twice changes nothing. At most `most`
    characters; what is left out is marked by an ellipsis. Source of the categories: Unicode
    Standard, table 4-4.
    """
    if len(text) <= most and text.isascii() and text.isprintable():
        return text  # as almost every text is
    pieces = [_piece(character) for character in text[: most + 1]]
    if sum(map(len, pieces)) <= most:
        return "".join(pieces)
    kept, room = [], most - len(CUT)
    for piece in pieces:
        room -= len(piece)
        if room < 0:
            break
        kept.append(piece)
    return "".join(kept) + CUT


def _piece(character: str) -> str:
    category = unicodedata.category(character)
    if category[0] != "C" and category not in ("Zl", "Zp"):
        return character
    number = ord(character)
    if number <= 0xFF:
        return f"\\x{number:02x}"
    return f"\\u{number:04x}" if number <= 0xFFFF else f"\\U{number:08x}"
