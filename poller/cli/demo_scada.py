"""bayroll demo --scada: the lists of SCADA on loopback, and how to look at each."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

LOOPBACK: Final = "127.0.0.1"
NEEDS: Final = {"opcua": "asyncua", "sparkplug": "google.protobuf"}
"""Outputs that are extras, and what each needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scada:
    """outputs: as the site file has them. look: protocol to where a front end finds it.

    left_out: extras that are not installed.
    """

    outputs: dict[str, dict[str, Any]]
    look: dict[str, str]
    left_out: tuple[str, ...]

    def lines(self, prefix: str, site_file: Path) -> list[str]:
        """prefix: how commands were started."""
        listen = f"  {prefix}python -m simulator listen"
        return [
            *(f"{listen} {protocol} {place}" for protocol, place in self.look.items()),
            f"  {prefix}bayroll points --csv --site {site_file}    # which alarm is which address",
            *(f"  {name} is left out: install bayroll[{name}]" for name in self.left_out),
        ]


def scada(broker: tuple[str, int]) -> Scada:
    """Ports that are free now. broker: where Sparkplug speaks."""
    ports = {name: _free_port() for name in ("alarm_points", "iec104", "opcua")}
    outputs: dict[str, dict[str, Any]] = {name: {"port": port} for name, port in ports.items()}
    # in the clear and for everybody, as the demo is on loopback alone
    outputs["opcua"]["anonymous"] = True
    outputs["sparkplug"] = {}
    look = {
        "modbus": f"{LOOPBACK}:{ports['alarm_points']}",
        "iec104": f"{LOOPBACK}:{ports['iec104']}",
        "opcua": f"{LOOPBACK}:{ports['opcua']}",
        "sparkplug": f"{broker[0]}:{broker[1]}",
    }
    left_out = tuple(name for name, module in NEEDS.items() if not _installed(module))
    for name in left_out:
        del outputs[name], look[name]
    return Scada(outputs=outputs, look=look, left_out=left_out)


def _installed(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except ModuleNotFoundError:  # what it stands in is not there either
        return False


def _free_port() -> int:
    with socket.socket() as sock:
        sock.bind((LOOPBACK, 0))
        port: int = sock.getsockname()[1]
        return port
