"""From the start to the nameplate of every relay, against what rests and round trips force."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Collection
from pathlib import Path
from typing import Final

import uvloop

from poller.edges.fleet import SPREAD_S
from poller.site.load import load_site
from poller.site.settings import Site
from tests.benchmarks import load
from tests.benchmarks.relays import MAP, address, site
from tests.benchmarks.report import Report, Wanted
from tests.benchmarks.running import all_read, running

ROUND_TRIP_S: Final = 0.02
REST_S: Final = 0.1
CONFIRM_S: Final = 5.0
REQUESTS: Final = 2  # identity, then the rest of the nameplate
WAYS: Final = {"direct": 1, "gateways": 20}  # units behind an address


def measure(relays: int, ways: Collection[str] = tuple(WAYS)) -> Report:
    """ways: in which they are reached, of WAYS."""
    report = Report(
        title=f"the nameplates of {relays} relays, complete",
        columns=("how they are reached", "forced", "taken", "seconds over"),
        wanted={f"{name}_over_forced": Wanted(bound=1.5) for name in ways},
    )
    for name in ways:
        units = WAYS[name]
        print(f"... {name}", file=sys.stderr)
        places = relays // units
        # first visits are spread on purpose; units of a gateway are asked one after the other; and
        # what was read once is believed when it was read again
        once_s = REQUESTS * (ROUND_TRIP_S + REST_S)
        forced_s = max(SPREAD_S, units * once_s) + CONFIRM_S + once_s
        with load.server(places, ROUND_TRIP_S) as port:
            taken_s = uvloop.run(_taken(_site(relays, units, port)))
        report.rows.append(
            (name, f"{forced_s:.1f} s", f"{taken_s:.1f} s", f"{taken_s - forced_s:+.1f}")
        )
        report.ratios[f"{name}_over_forced"] = taken_s / forced_s
    return report


async def _taken(asked: Site) -> float:
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="bayroll-bench-") as folder:
        async with running(Path(folder), asked) as service:
            await all_read(service)
            return time.monotonic() - began


def _site(relays: int, units: int, port: int) -> Site:
    intervals = {
        "status_s": 60,
        "confirm_s": CONFIRM_S,
        "nameplate_s": 3_600,
        "rest_ms": int(1_000 * REST_S),
    }
    if units == 1:
        return site(relays, port, intervals=intervals)
    listed = "".join(
        f"  - {{id: r{number:04}, bay: Q{number // 2}, function: main {number % 2 + 1},"
        f" host: {address(number // units)}, port: {port}, unit: {number % units + 1},"
        " behind_serial: true, maps: [bench]}\n"
        for number in range(relays)
    )
    paced = ", ".join(f"{name}: {value}" for name, value in intervals.items())
    text = (
        "format: 1\nsite: hollin\nname: Hollin\nmaps_folder: maps\n"
        f"intervals: {{{paced}}}\nrelays:\n{listed}"
    )
    texts = {"site.yaml": text, "maps/bench.yaml": MAP}
    return load_site("site.yaml", lambda path: texts[str(Path(path))])
