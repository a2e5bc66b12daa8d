"""The families of a trial: the shipped ones, and two that make faults easy to see.

heron: three blocks of the same length, all text, so that an answer taken for another one's decodes
without a complaint. dunlin: counts no uptime, and its version 2 moved its flags within the same
registers, so that only the version says how they are to be read.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from poller.cli.shipped import config_folder
from poller.site.load import load_map
from poller.site.register_map import RegisterMap
from simulator.scenario import Box
from simulator.stage import load_stage

HERE: Final = Path(__file__).parent
SHIPPED: Final = ("larch", "pike", "pike-3", "otter")
OWN: Final = ("heron", "dunlin", "dunlin-2")
FAMILIES: Final = {
    "larch": ("larch",),
    "pike": ("pike", "pike-3"),
    "otter": ("otter",),
    "heron": ("heron",),
    "dunlin": ("dunlin", "dunlin-2"),
}
NEXT_LAYOUT: Final = {"pike": "pike-3", "dunlin": "dunlin-2"}  # where an update can lead
BEHIND: Final = ("pike", "heron", "dunlin")  # behind a gateway
VERSIONS: Final = {
    "larch": ("5.1 SP2", "5.1 SP2 HF3", "5.2", "5.3 HF1", "4.9 SP1"),
    "pike": ("2.06.004", "2.07.013", "2.08.001", "1.02.003"),
    "pike-3": ("3.00.004", "3.01.000"),
    "otter": ("F", "G", "Z", "AA", "AC"),
    "heron": ("1.2", "1.10", "1.3", "2.0"),
    "dunlin": ("1.2", "1.10", "1.3"),
    "dunlin-2": ("2.0", "2.1"),
}
SETTINGS: Final = {
    "larch": ("configRev", ("2025-11.2", "2026-01.1", "2026-02.7")),
    "pike": ("configRev", ("12", "31", "77")),
    "pike-3": ("configRev", ("3", "9", "14")),
    "otter": ("configRev", ("fellmoor-r7", "fellmoor-r8", "fellmoor-r9")),
    "heron": ("configRev", ("C1", "C2", "C3")),
    "dunlin": ("configRev", ("C1", "C2", "C3")),
    "dunlin-2": ("configRev", ("C1", "C2", "C3")),
}
THREE: Final = ("firmware_changed", "settings_changed", "storage_low")
FLAGS: Final = {
    "larch": (*THREE, "restart_pending"),
    "pike": THREE,
    "pike-3": THREE,
    "otter": ("firmware_changed", "support_ending"),
    "heron": THREE,
    "dunlin": THREE,
    "dunlin-2": THREE,
}
# where a text that is erased can be told from one that is not
ERASABLE: Final = ("larch", "heron")
BOXES: Final = tuple(
    Box(
        map=name,
        nameplate={
            "vendor": ("Trial Works",),
            "swRev": ("1.2",),
            "serNum": (name[0].upper() + "{n:06}",),
            "configRev": ("C0",),
        },
    )
    for name in ("heron", "dunlin")
)


def map_text(name: str) -> str:
    """The file of a map."""
    folder = HERE if name in OWN else config_folder() / "maps"
    return (folder / f"{name}.yaml").read_text()


@cache
def known() -> tuple[dict[str, RegisterMap], tuple[Box, ...]]:
    """Every map, and what stands behind them; the shipped ones as the demo has them."""
    maps = {name: load_map(map_text(name), f"{name}.yaml") for name in (*SHIPPED, *OWN)}
    demo = load_stage(
        str(config_folder() / "scenarios" / "demo.yaml"), lambda path: Path(path).read_text()
    )
    return maps, (*demo.scenario.boxes, *BOXES)
