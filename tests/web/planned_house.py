"""A house in which work is planned, under way and done, and something is due of every sort."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from poller.decide import About
from poller.edges import commands
from poller.edges.outages_file import read_outages
from poller.judging.findings import Believed
from poller.model.users import Role
from tests.cli.bench import AT, believed
from tests.web.house import House

BY = "eve (uid 7)"
TARGET = "5.1 SP2 HF3"  # of rule larch in config/approved.yaml


def larch(version: str, number: int) -> Believed:
    """As a relay of rule larch tells it, with order code and hardware."""
    told = believed(version, serial=f"TW19{number:05}")
    plate = replace(told.nameplate, orderCode="L21-6C-2E-1", hwRev="C")
    return replace(told, nameplate=plate, covers=told.covers | {"orderCode", "hwRev"})


def do(house: House, op: str, **args: Any) -> None:
    house.decide(commands.command(op, args), by=BY)


def furnish(house: House) -> None:
    """w1, w4 planned, w2 under way, w3 cancelled; q04 below its target, with a way to it."""
    for at, name in enumerate(("q02-main1", "q03-main1", "q04-main1", "q05-main1", "q06-main1")):
        house.decide(About(relay=name, finding=larch("5.1 SP2", at)))
    house.decide(About(relay="t1-main1", finding=larch("5.1 SP1", 7)))
    for name in ("q05-main1", "q06-main1", "t1-main1", "q01-main1"):
        do(house, "baseline_accept", relays=[name], why="as commissioned")
        do(
            house,
            "work_add",
            relays=[name],
            kind="update",
            expects={"swRev": TARGET},
            start=(AT - timedelta(hours=1)).isoformat(),
            end=(AT + timedelta(hours=5)).isoformat(),
            zone="Europe/Vienna",
            reference="WO 31",
            although="a test",
        )
    do(house, "work_note", work="w2", note="read_back", text="kept <b>")
    do(house, "work_start", work="w2", although="a test")
    do(house, "work_cancel", work="w3", why="no outage")


WINDOWS = """\
format: 1
zone: Europe/London
windows:
  - {id: june, start: 2096-06-12 08:00, end: 2096-06-12 16:00, bays: [Q01, Q02, Q03, Q04, Q05],
     crew: {people: 2}}
pilot: {stop: [It tripped <b>oddly</b>.]}
"""


def with_outages(house: House, folder: Path) -> House:
    """Furnished, with an outages file in folder and somebody who may do everything."""
    furnish(house)
    house.add("ute", *Role)
    (folder / "outages.yaml").write_text(WINDOWS, encoding="utf-8")
    house.page.behind = replace(
        house.page.behind, outages=lambda site: read_outages(folder / "site.yaml", site)
    )
    return house
