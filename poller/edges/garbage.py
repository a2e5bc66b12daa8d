"""Python's collector of cycles, told how a service lives: it keeps much and makes few cycles."""

from __future__ import annotations

import gc
from typing import Final

# as made, it looks at what is new every 700 objects, and again and again at all that is kept: 63 us
# of an unchanged poll of 500 relays became 46, side by side (2026-11-28)
THRESHOLDS: Final = (20_000, 20, 20)


def look_seldom() -> None:
    """What is there by now stays for as long as the process does, and is not looked at again."""
    gc.set_threshold(*THRESHOLDS)
    gc.collect()
    gc.freeze()
