"""config/connections.md names each way that the program has to the network, and no other."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Final

import pytest
from pydantic import BaseModel

from poller.publishing.alarm_points.output import AlarmPointsSettings
from poller.publishing.iec104.settings import Iec104Settings
from poller.publishing.opcua.settings import OpcUaSettings
from poller.publishing.opening import found
from poller.publishing.syslog.settings import TlsSettings, UdpSettings
from poller.site.settings import Broker, Page, RelayEntry

ROOT: Final = Path(__file__).parents[2]
TEXT: Final = (ROOT / "config" / "connections.md").read_text()
ROW: Final = re.compile(
    r"^\| (?P<name>[^|]+) \| (?P<by>[^|]+) \| [^|]+ \| (?P<port>[^|]+) \|", re.MULTILINE
)
ROWS: Final = {row["name"].replace("`", ""): row for row in ROW.finditer(TEXT)}
del ROWS["for"]

PORTS: Final[dict[str, tuple[type[BaseModel], str]]] = {
    "relays": (RelayEntry, "tcp"),
    "mqtt": (Broker, "tcp"),
    "sparkplug": (Broker, "tcp"),
    "syslog": (TlsSettings, "tcp"),
    "syslog by UDP": (UdpSettings, "udp"),
    "alarm_points": (AlarmPointsSettings, "tcp"),
    "iec104": (Iec104Settings, "tcp"),
    "opcua": (OpcUaSettings, "tcp"),
    "page": (Page, "tcp"),
}
LISTENING: Final = {"alarm_points", "iec104", "opcua", "page"}

# How a program comes to the network: by the standard library, or by a library that does it.
CALLS: Final = frozenset(
    [
        "create_connection",
        "open_connection",
        "create_server",
        "start_server",
        "create_datagram_endpoint",
        "open_unix_connection",
        "start_unix_server",
        "getaddrinfo",
        "gethostbyname",
        "sock_connect",
    ]
)
LIBRARIES: Final = frozenset(
    [
        "aiomqtt",
        "amqtt",
        "asyncua.Server",
        "asyncua.Client",
        "asyncua.server.binary_server_asyncio",
        "ftplib",
        "http.client",
        "http.server",
        "httpx",
        "pymodbus.client",
        "pymodbus.server",
        "requests",
        "smtplib",
        "socketserver",
        "telnetlib",
        "urllib.request",
        "uvicorn",
        "xmlrpc",
    ]
)
# Where that is done, and for which row; "-": not over a network, or on loopback by the demo alone.
DONE_IN: Final = {
    "cli/asking.py": "relays",
    "cli/demo_page.py": "-",
    "cli/demo_scada.py": "-",
    "cli/load.py": "relays",
    "cli/run.py": "relays",
    "edges/control.py": "-",
    "edges/systemd.py": "-",
    "publishing/alarm_points/server.py": "alarm_points",
    "publishing/iec104/server.py": "iec104",
    "publishing/mqtt/client.py": "mqtt",
    "publishing/mqtt/embedded.py": "-",
    "publishing/mqtt/link.py": "mqtt",
    "publishing/mqtt/output.py": "mqtt",
    "publishing/mqtt/wire.py": "mqtt",
    "publishing/opcua/server.py": "opcua",
    "publishing/opcua/wire.py": "opcua",
    "publishing/sparkplug/host.py": "sparkplug",
    "publishing/sparkplug/output.py": "sparkplug",
    "publishing/syslog/line.py": "syslog",
    "web/connection.py": "page",
    "web/server.py": "page",
}


def test_every_output_has_a_row() -> None:
    ours = {name for name, point in found().items() if point.value.startswith("poller.")}
    assert ours <= set(ROWS)


@pytest.mark.parametrize("name", PORTS)
def test_the_port_is_the_one_without_a_setting(name: str) -> None:
    settings, kind = PORTS[name]
    assert ROWS[name]["port"] == f"{settings.model_fields['port'].default}/{kind}"


def test_every_row_but_that_of_names_is_held_to_a_port() -> None:
    assert set(ROWS) == {*PORTS, "names"}


@pytest.mark.parametrize("name", sorted(LISTENING))
def test_what_listens_does_so_on_loopback_until_told_otherwise(name: str) -> None:
    default = PORTS[name][0].model_fields["host"].default
    assert (ROWS[name]["by"] != "Bayroll", default) == (True, "127.0.0.1")


def test_bayroll_starts_the_others() -> None:
    assert {name for name, row in ROWS.items() if row["by"] != "Bayroll"} == LISTENING


def test_nothing_else_comes_to_the_network() -> None:
    does = {
        str(path.relative_to(ROOT / "poller"))
        for path in (ROOT / "poller").rglob("*.py")
        if _opens(ast.parse(path.read_text()))
    }
    assert does == set(DONE_IN), "a new way to the network: give it a row in config/connections.md"
    assert set(DONE_IN.values()) <= {*ROWS, "-"}


def _opens(tree: ast.AST) -> bool:
    return any(_comes_to_it(node) for node in ast.walk(tree))


def _comes_to_it(node: ast.AST) -> bool:
    match node:
        case ast.Attribute(value=ast.Name(id="socket"), attr="socket"):
            return True
        case ast.Attribute(attr=name):
            return name in CALLS
        case ast.ImportFrom(module=str(module), names=names):
            whole = {module, *(f"{module}.{one.name}" for one in names)}
            return any(_within(name) for name in whole)
        case ast.Import(names=names):
            return any(_within(one.name) for one in names)
    return False


def _within(name: str) -> bool:
    parts = name.split(".")
    return any(".".join(parts[:end]) in LIBRARIES for end in range(1, len(parts) + 1))
