"""The relays of the load: a map of sixty status registers, where each answers, and what it says."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any, Final

from poller.site.load import load_site
from poller.site.settings import Site

STATUS: Final = 200  # the first of its registers
STATUS_REGISTERS: Final = 60
UPTIME: Final = 206  # a u32 of hundredths of a second, so that every reply is another
REGISTERS: Final = 300
SERNUM: Final = 32
MAP: Final = """\
format: 1
map: bench
family: Bench
fits: {vendors: ["*"], models: ["*"]}
numbering: zero_based
byte_order: high_first
word_order: high_first
version_scheme: {kind: dotted_service_pack}
largest_read: {registers: 125}
ranges:
  - {table: holding, first: 0, last: 99, over_gaps: true}
  - {table: holding, first: 200, last: 259, over_gaps: true}
identity:
  vendor: {table: holding, address: 0, type: ascii, registers: 10}
  model: {table: holding, address: 10, type: ascii, registers: 6}
  swRev: {table: holding, address: 24, type: ascii, registers: 8}
nameplate:
  serNum: {table: holding, address: 32, type: ascii, registers: 6}
status:
  health: {table: holding, address: 200, type: enum, names: {0: ok, 1: warning, 2: alarm}}
  setting_group: {table: holding, address: 202, type: u16}
  free_memory_kb: {table: holding, address: 203, type: u32}
  uptime_s: {table: holding, address: 206, type: u32, scale: 0.01, ticking: true}
  flags:
    - {table: holding, address: 259, type: bits, bits: {0: firmware_changed}}
flags:
  firmware_changed:
    kind: latched
    cleared_by: engineering_tool
    says: The relay says that its firmware was changed.
"""


def address(number: int) -> str:
    """Of loopback only, another for each number from 0."""
    net, host = divmod(number, 250)
    return f"127.9.{net + 1}.{host + 1}"


def image(number: int) -> bytes:
    """The holding registers of a relay, as octets."""
    octets = bytearray(2 * REGISTERS)
    for at, text in ((0, "Bench"), (10, "BENCH-1"), (24, "5.1"), (SERNUM, f"B{number:07}")):
        octets[2 * at : 2 * at + len(text)] = text.encode()
    struct.pack_into(">HHI", octets, 2 * 202, 1, 0, 0)
    return bytes(octets)


def site(count: int, port: int, *, intervals: dict[str, Any], outputs: str = "") -> Site:
    """intervals: also such as no site file may ask for."""
    listed = "".join(
        f"  - {{id: r{number:04}, bay: Q{number // 2}, function: main {number % 2 + 1},"
        f" host: {address(number)}, port: {port}, maps: [bench],"
        " client_slots: 4}\n"
        for number in range(count)
    )
    text = f"format: 1\nsite: hollin\nname: Hollin\nmaps_folder: maps\n{outputs}relays:\n{listed}"
    texts = {"site.yaml": text, "maps/bench.yaml": MAP}
    loaded = load_site("site.yaml", lambda path: texts[str(Path(path))])
    file = loaded.file
    object.__setattr__(file, "intervals", file.intervals.model_copy(update=intervals))
    return loaded
