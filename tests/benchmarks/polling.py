"""The whole pipeline of an unchanged poll against others' clients: CPU per read."""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from tests.benchmarks import load
from tests.benchmarks.report import Report, Wanted
from tests.e2e.processes import mosquitto
from tests.publishing.brokers import MOSQUITTO

WARM_S: Final = 2.0
NO_PAUSE_S: Final = 0.00001  # due again before any answer can be there
US: Final = 1_000_000


def measure(relays: int, lasts_s: float, rounds: int) -> Report:
    """rounds: each client in turn so often, so that what the machine does besides hits all."""
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    report = Report(
        title=f"{relays} relays, each asked for sixty registers again and again",
        columns=("client", "CPU per read", "reads per second"),
        wanted={
            "pymodbus_over_bayroll": Wanted(bound=3, least=True),
            "bayroll_over_bare_protocol": Wanted(bound=2),
        },
    )
    with tempfile.TemporaryDirectory(prefix="bayroll-bench-") as name, _broker(Path(name)) as mqtt:
        if not mqtt:
            report.missing.append("nothing was published: there is no Mosquitto here")
        # else who asks so fast that it never sleeps is spared what waking it costs
        with load.server(relays, awake=True) as port:
            for number in range(rounds):
                for who in ("bayroll", "pymodbus", "bare_protocol"):
                    print(f"... round {number + 1}, {who}", file=sys.stderr)
                    found[who].append(
                        load.client(
                            who,
                            relays,
                            port,
                            status_s=NO_PAUSE_S,
                            warm_s=WARM_S,
                            lasts_s=lasts_s,
                            broker=mqtt,
                        )
                    )
                print(f"... round {number + 1}, libmodbus", file=sys.stderr)
                told = load.libmodbus(Path(name), relays, port, warm_s=WARM_S, lasts_s=lasts_s)
                if told is not None:
                    found["libmodbus"].append(told)
    if "libmodbus" not in found:
        report.missing.append("libmodbus: its headers and gcc are not here")
    per_read = {}
    for who, times in found.items():
        reads, cpu_s, wall_s = (
            sum(one[key] for one in times) for key in ("reads", "cpu_s", "wall_s")
        )
        per_read[who] = cpu_s / reads
        report.rows.append((who, f"{US * cpu_s / reads:.1f} us", f"{reads / wall_s:,.0f}"))
    ours = per_read["bayroll"]
    report.ratios["pymodbus_over_bayroll"] = per_read["pymodbus"] / ours
    report.ratios["bayroll_over_bare_protocol"] = ours / per_read["bare_protocol"]
    if "libmodbus" in per_read:
        report.ratios["bayroll_over_libmodbus"] = ours / per_read["libmodbus"]
    return report


@contextmanager
def _broker(folder: Path) -> Iterator[int]:
    """Its port; 0 where Mosquitto is not on this machine."""
    if MOSQUITTO is None:
        yield 0
        return
    with mosquitto(folder) as port:
        yield port
