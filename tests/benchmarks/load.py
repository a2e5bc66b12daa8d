"""The lean server on one core, and who asks it on another, each a process of its own."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.publishing.brokers import free_port

CORES = sorted(os.sched_getaffinity(0))
CLIENT, SERVER = {CORES[0]}, {CORES[-1]}


@contextmanager
def server(count: int, delay_s: float = 0.0, *, awake: bool = False) -> Iterator[int]:
    """The port at which each of its addresses answers. awake: it never sleeps."""
    port = free_port()
    words = (count, port, delay_s, int(awake))
    command = [sys.executable, "-m", "tests.benchmarks.lean_server", *map(str, words)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        os.sched_setaffinity(process.pid, SERVER)
        assert process.stdout is not None
        assert process.stdin is not None
        try:
            assert process.stdout.readline() == "ready\n", "the server did not start"
            yield port
        finally:
            process.stdin.close()


def client(
    who: str,
    count: int,
    port: int,
    *,
    status_s: float = 0.0,
    warm_s: float,
    lasts_s: float,
    broker: int = 0,
) -> dict[str, Any]:
    """What polling_clients.py tells."""
    command = [sys.executable, "-m", "tests.benchmarks.polling_clients", who, str(count), str(port)]
    return _told([*command, *(str(one) for one in (status_s, warm_s, lasts_s, broker))])


def libmodbus(
    folder: Path, count: int, port: int, *, warm_s: float, lasts_s: float
) -> dict[str, Any] | None:
    """The same of the loop in C; None where it can't be built here."""
    compiler = shutil.which("gcc")
    if compiler is None:
        return None
    source, built = Path(__file__).with_name("libmodbus_loop.c"), folder / "libmodbus_loop"
    command = [compiler, "-O2", "-I/usr/include/modbus", str(source), "-o", str(built), "-lmodbus"]
    if subprocess.run(command, capture_output=True, check=False).returncode != 0:
        return None
    return _told([str(built), str(count), str(port), str(warm_s), str(lasts_s)])


def _told(command: list[str]) -> dict[str, Any]:
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        os.sched_setaffinity(process.pid, CLIENT)
        assert process.stdout is not None
        told = process.stdout.read()
    assert process.returncode == 0, f"{' '.join(command)} failed"
    found: dict[str, Any] = json.loads(told)
    return found
