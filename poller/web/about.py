"""Bayroll itself, for the asset record: its version, its ports, and what it is made with."""

from __future__ import annotations

import platform
import re
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, requires, version
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse, Response

from poller.model.canonical import plain
from poller.site.settings import Site
from poller.web.page import Page, page_of
from poller.web.shapes import REFUSALS
from poller.web.who import person

NAME: Final = re.compile(r"[A-Za-z0-9._-]+")
router = APIRouter(tags=["look"], dependencies=[Depends(person)], responses=REFUSALS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """way: in: it listens there; out: it connects to there. of: the part of Bayroll."""

    of: str
    way: str
    host: str
    port: int
    protocol: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """needed_by: the packages that ask for it; bayroll itself among them."""

    name: str
    version: str
    needed_by: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    version: str
    python: str
    system: str
    ports: tuple[Port, ...]
    packages: tuple[Package, ...]


def about(site: Site, own: str) -> About:
    return About(
        version=own,
        python=f"{platform.python_implementation()} {platform.python_version()}",
        system=f"{platform.system()} {platform.release()} {platform.machine()}",
        ports=ports(site),
        packages=packages(),
    )


def ports(site: Site) -> tuple[Port, ...]:
    """As the site file names them, outputs of others too where they call theirs port."""
    file, found = site.file, list[Port]()
    if file.page is not None:
        protocol = "HTTP" if file.page.tls is None else "HTTPS"
        found.append(_port("page", "in", file.page.host, file.page.port, protocol))
    if file.broker is not None:
        found.append(_port("broker", "out", file.broker.host, file.broker.port, "MQTT"))
    for name, settings in file.outputs.items():
        own: dict[str, Any] = settings if isinstance(settings, dict) else {}
        if isinstance(own.get("port"), int):
            host = str(own.get("host", "?"))
            way = "out" if name in ("syslog", "mqtt", "sparkplug") else "in"
            found.append(_port(name, way, host, own["port"], str(own.get("protocol", "TCP"))))
    found += [
        _port(f"relays {', '.join(names)}", "out", host, port, "Modbus TCP")
        for (host, port), names in file.by_address.items()
    ]
    return tuple(found)


def _port(of: str, way: str, host: str, port: int, protocol: str) -> Port:
    return Port(of=of, way=way, host=host, port=port, protocol=protocol)


@cache
def packages() -> tuple[Package, ...]:
    """Everything that is installed and that Bayroll needs, directly or not, as it is installed."""
    found: dict[str, set[str]] = {}
    asked, left = {"bayroll"}, ["bayroll"]
    while left:
        name = left.pop()
        for text in _needs(name):
            found.setdefault(text, set()).add(name)
            if text not in asked:
                asked.add(text)
                left.append(text)
    return tuple(
        Package(name=name, version=version(name), needed_by=tuple(sorted(found[name])))
        for name in sorted(found)
    )


def _needs(name: str) -> list[str]:
    """Names of installed packages that it asks for; extras that are not installed are none."""
    told = []
    for line in requires(name) or ():
        match = NAME.match(line)
        if match is None or "extra ==" in line.replace("'", '"'):
            continue
        needed = re.sub(r"[-_.]+", "-", match[0]).lower()
        try:
            version(needed)
        except PackageNotFoundError:
            continue  # for another system or another Python
        told.append(needed)
    return told


@router.get("/about", response_model=About)
async def tell(page: Annotated[Page, Depends(page_of)]) -> Response:
    """Bayroll's own version, ports and dependencies."""
    site, own = page.behind.site(), page.behind.version
    return await page.behind.threads.do(lambda: JSONResponse(plain(about(site, own))))
