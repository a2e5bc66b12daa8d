"""The trade's words for attributes, for people who do not know the names of IEC 61850."""

from __future__ import annotations

from typing import Final

from poller.model import limits
from poller.model.text import shown

ATTRIBUTE: Final = {
    "vendor": "maker",
    "model": "model",
    "serNum": "serial number",
    "hwRev": "hardware version",
    "swRev": "firmware",
    "configRev": "configuration revision",
    "paramRev": "settings revision",
    "location": "location",
    "orderCode": "order code",
    "settingsId": "settings mark",  # a checksum or a time, as the relay has it
}


def attribute(name: str) -> str:
    """A name as in nameplate.flat: swRev, components.boot.swRev (boot firmware)."""
    *path, last = name.split(".")
    word = ATTRIBUTE.get(last, last)
    return shown(f"{path[1]} {word}" if len(path) > 1 else word, limits.SENTENCE_TEXT_MAX)
