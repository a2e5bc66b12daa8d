"""uv run python -m tests.soak [--minutes N] [--picture FILE]: the service, left to run.

Two hundred relays on real sockets, Mosquitto and a client that is not ours; every misbehaviour of
the simulator in turn, and a person who says of each change what it was. Looks at memory and file
descriptors of the service, and afterwards whether every change came to the client, once, and
nothing that did not happen. Exit 1 where memory grew by one percent an hour or more over the last
three quarters, descriptors grew, or something was lost.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any, Final

from poller.edges import control
from tests.e2e import processes as run
from tests.e2e.told import Fact, happened, told
from tests.soak.curve import Sample, picture, slope
from tests.soak.story import HEALS_S, scenario

LOOK_EVERY_S: Final = 10.0
TELL_EVERY: Final = 30  # looks
SLOPE_MAX: Final = 1.0  # percent an hour
JUDGED: Final = 0.75  # of the time, the last part
INTERVALS: Final = {
    "status_s": 2,
    "nameplate_s": 20,
    "confirm_s": 5,
    "confirm_after_restart_s": 10,
    "reply_timeout_s": 1,
    "rest_ms": 10,
    "silent_misses": 5,
}
TICKS: Final = os.sysconf("SC_CLK_TCK")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60, help="60 unless given")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--picture", type=Path, help="draws the curve into this file, as SVG")
    given = parser.parse_args()
    lasts_s = 60 * given.minutes
    if lasts_s < 3 * HEALS_S:
        parser.error(f"at least {3 * HEALS_S / 60:g} minutes")
    with tempfile.TemporaryDirectory(prefix="bayroll-soak-") as name:
        folder = Path(name)
        samples, failures = _soak(folder, lasts_s, given.seed)
        found = _held_together(folder)
    failures += found
    judged_from_s = samples[-1].at_s * (1 - JUDGED)
    judged = [one for one in samples if one.at_s >= judged_from_s]
    grew = slope(judged)
    # connections come and go with the misbehaviours; what stays open shows in the fewest
    third = len(judged) // 3
    few, late = (min(one.descriptors for one in part) for part in (judged[:third], judged[-third:]))
    most = max(one.descriptors for one in judged)
    if grew >= SLOPE_MAX:
        failures.append(f"memory grew by {grew:.2f} % an hour")
    if late > few:
        failures.append(f"{few} file descriptors at the fewest became {late}")
    cpu = (judged[-1].cpu_s - judged[0].cpu_s) / (judged[-1].at_s - judged[0].at_s)
    says = (
        f"{samples[-1].at_s / 60:.0f} minutes: memory {grew:+.2f} % an hour over the last"
        f" {JUDGED:.0%}, {judged[-1].rss_kb / 1_024:.0f} MiB; descriptors {few}, at most {most};"
        f" {cpu:.0%} of a core"
    )
    if given.picture is not None:
        given.picture.write_text(picture(samples, judged_from_s, says))
    for failure in failures:
        print(failure)
    print(says)
    print("it did not hold" if failures else "nothing was lost, nothing was invented, nothing grew")
    return 1 if failures else 0


def _soak(folder: Path, lasts_s: float, seed: int) -> tuple[list[Sample], list[str]]:
    file = folder / "soak.yaml"
    file.write_text(json.dumps(scenario(lasts_s, seed)))
    samples: list[Sample] = []
    with (
        run.mosquitto(folder) as port,
        run.subscriber(port, "bayroll/v1/+/event", folder / "events.jsonl"),
        run.simulator(file, folder) as addresses,
        run.poller(_site(folder, addresses, port)) as service,
    ):
        began, settled = time.monotonic(), set[str]()
        while time.monotonic() - began < lasts_s:
            time.sleep(LOOK_EVERY_S)
            if service.poll() is not None:
                return samples, [f"the service ended by itself, with {service.returncode}"]
            _settle(folder, settled)
            samples.append(_look(service.pid, time.monotonic() - began))
            if len(samples) % TELL_EVERY == 0:
                last = samples[-1]
                print(
                    f"... {last.at_s / 60:.0f} min, {last.rss_kb / 1_024:.1f} MiB,"
                    f" {last.descriptors} descriptors, {last.cpu_s:.0f} s of CPU",
                    file=sys.stderr,
                )
    return samples, []


def _settle(folder: Path, settled: set[str]) -> None:
    """Ends the investigations that were opened since, so that what is open does not pile up."""
    for event in run.lines(folder / "events.jsonl"):
        if event["kind"] == "investigation_opened" and event["id"] not in settled:
            settled.add(event["id"])
            [socket] = (folder / "run").glob("*.sock")
            said = {"who": "soak", "disposition": "not_authorised", "why": "the story wanted it"}
            said["investigation"] = event["body"]["investigation"]
            control.request(socket, event["id"], "disposition_give", said)


def _look(process: int, at_s: float) -> Sample:
    where = Path(f"/proc/{process}")
    status = dict(line.split(":", 1) for line in (where / "status").read_text().splitlines())
    spent = (where / "stat").read_text().rsplit(")", 1)[1].split()
    return Sample(
        at_s=at_s,
        rss_kb=int(status["VmRSS"].split()[0]),
        descriptors=len(list((where / "fd").iterdir())),
        cpu_s=(int(spent[11]) + int(spent[12])) / TICKS,
    )


def _site(folder: Path, addresses: dict[str, str], port: int) -> Path:
    maps = ("larch", "pike", "otter")
    relays = []
    for number, (name, address) in enumerate(addresses.items()):
        place, unit = address.rsplit("/", 1)
        host, at = place.rsplit(":", 1)
        relays.append(
            {
                "id": name,
                "bay": f"Q{number // 2:03}",
                "function": f"main {number % 2 + 1}",
                "host": host,
                "port": int(at),
                "unit": int(unit),
                "maps": [maps[number % len(maps)]],
            }
        )
    path = folder / "site.yaml"
    site: dict[str, Any] = {
        "format": 1,
        "site": "hollin",
        "name": "Hollin",
        "maps_folder": str(run.CONFIG / "maps"),
        "intervals": INTERVALS,
        "broker": {"host": "127.0.0.1", "port": port},
        "outputs": {"mqtt": {}},
        "page": None,
        "relays": relays,
    }
    path.write_text(json.dumps(site))
    return path


def _held_together(folder: Path) -> list[str]:
    """What the client heard against what happened in the simulator, and against the journal."""
    received = run.lines(folder / "events.jsonl")
    truth = _lasting(happened(run.lines(folder / "truth.jsonl"), silent_s=0.0))
    heard = _lasting(told(received))
    print(f"{truth.total()} changes happened, {len(received)} events were heard", file=sys.stderr)
    seqs = [event["seq"] for event in received]
    failures = [f"{fact}: happened and was not told" for fact in truth - heard]
    failures += [f"{fact}: was told and did not happen" for fact in heard - truth]
    if seqs != list(range(1, len(seqs) + 1)):
        failures.append("events did not come in order, each once")
    return failures


def _lasting(facts: Counter[Fact]) -> Counter[Fact]:
    """Who answers when is not compared: what misbehaves is silent for as long as it likes."""
    return Counter({one: count for one, count in facts.items() if one[1] != "answering"})


if __name__ == "__main__":
    sys.exit(main())
