"""Versions: of each family how many relays on which, now and over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from poller.answers.listing import natural
from poller.answers.spread import Turn
from poller.answers.versions import (
    At,
    FamilyRow,
    Group,
    VersionRow,
    family,
    groups,
    ordered,
    version_row,
)
from poller.answers.words import position
from poller.model.standing import State
from poller.site.approved import DEVICE
from poller.web.page import Page, page_of
from poller.web.stack import LAYERS_MAX, Layer, Stack, stack
from poller.web.views.relays import weight_of
from poller.web.who import Somebody

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]

SIGNS: Final = {"fine": "✓", "bad": "▲", "warn": "!", "none": "○"}
TEXTURES: Final = range(1, LAYERS_MAX + 1)  # as the template draws them
NAME_MAX: Final = 24  # characters of a name inside a picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One version: its row of the table, and how its layer is drawn, None: it has none of its own.

    weight: as its status is marked. texture: 0, of the target, is none.
    """

    row: VersionRow
    name: str
    weight: str
    texture: int
    layer: Layer | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """key: for ids on the page."""

    key: str
    family: FamilyRow
    lines: tuple[Line, ...]
    picture: Stack | None

    @property
    def drawn(self) -> tuple[tuple[Layer, Line | None], ...]:
        """Each layer with its line, from the top; None: of all that have none of their own."""
        lines = {line.layer: line for line in self.lines if line.layer is not None}
        layers = () if self.picture is None else self.picture.layers
        return tuple((layer, lines.get(layer)) for layer in layers)


@router.get("/versions")
async def versions(page: ThePage, person: Somebody) -> Response:
    state = page.behind.state()
    return await page.drawing.whole(
        person, "versions.html", state=state, **await _values(page, state)
    )


@router.get("/versions/list")
async def part(page: ThePage, person: Somebody) -> Response:
    """For a page that stands already."""
    values = await _values(page, page.behind.state())
    return await page.drawing.part(person, "versions_list.html", **values)


async def _values(page: Page, state: State) -> dict[str, Any]:
    site, now = page.behind.site(), page.behind.now()

    def make() -> dict[str, Any]:
        turns = page.spread.turns()
        found = [
            card(f"v{at}", group, turns.get(group.key, ()), state, now)
            for at, group in enumerate(groups(state, site))
        ]
        return {
            "parts": (
                ("Devices", [one for one in found if one.family.firmware == DEVICE]),
                ("Components", [one for one in found if one.family.firmware != DEVICE]),
            ),
            "unread": unread(state),
            "SIGNS": SIGNS,
            "NAME_MAX": NAME_MAX,
        }

    return await page.behind.threads.do(make)


def card(key: str, group: Group, turns: Sequence[Turn], state: State, now: datetime) -> Card:
    """Its lines stand as the layers of its picture do."""
    ever = {version for turn in turns for version in turn.counts}
    order = ordered({*group.running, *ever}, group.rule)
    picture = stack(turns, order, now)
    drawn = () if picture is None else picture.layers
    layers = {layer.version: layer for layer in drawn if not layer.others}
    lines: list[Line] = []
    textures = iter(TEXTURES)
    for version in order:
        layer = layers.get(version)
        if version not in group.running and layer is None:
            continue  # of the past, and told with the others
        row = version_row(version, group.running.get(version, ()), group.rule, state)
        lines.append(
            Line(
                row=row,
                name="not read" if version is None else row.version or "",
                weight=weight_of(row.status),
                texture=0 if row.target or layer is None else next(textures),
                layer=layer,
            )
        )
    return Card(key=key, family=family(group, state), lines=tuple(lines), picture=picture)


def unread(state: State) -> tuple[At, ...]:
    """Listed relays of which no firmware is known."""
    names = (name for name, relay in state.relays.items() if relay.listed and not relay.firmware)
    found = (At(relay=name, position=position(name, state)) for name in names)
    return tuple(sorted(found, key=lambda one: natural(one.position)))
