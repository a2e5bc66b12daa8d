"""A scenario file: which relays there are, and the timed story that happens to them.

Times are seconds of the story; with `speed` above 1 they pass faster than real ones.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal, TypeAlias

from pydantic import Field

from poller.model import limits
from poller.site.register_map import Line, Name
from poller.site.settings import Id
from poller.site.strict import Many, Strict
from simulator.acts import How
from simulator.encoding import Padding

# a week; longer stories are for virtual time
STORY_S_MAX: Final = 604_800
Seconds: TypeAlias = Annotated[float, Field(ge=0, le=STORY_S_MAX)]
Chance: TypeAlias = Annotated[float, Field(gt=0, le=1)]
Values: TypeAlias = dict[Line, Line | None]
# an id of the fleet, or a pattern with * and ? for several at once
Whom: TypeAlias = Annotated[str, Field(pattern=r"^[a-z0-9*?-]{1,40}$")]


class Box(Strict):
    """What stands behind a map. nameplate: by flat name, the texts to draw from.

    padding: what fills a text field. objects: identification objects that the map does not name.
    reply_octets_max: of one identification answer; some devices fill no PDU.
    """

    map: Line
    nameplate: dict[Line, Many[Line]] = Field(default={})
    padding: Padding = "nul"
    objects: dict[Annotated[int, Field(ge=0, le=255)], Line] = Field(default={})
    reply_octets_max: Annotated[int, Field(ge=16, le=limits.PDU_BYTES_MAX)] = limits.PDU_BYTES_MAX


class Own(Strict):
    """What one relay has otherwise than its box. map: the one of its maps that it presents."""

    map: Line | None = None
    nameplate: Values = Field(default={})


class Counted(Strict):
    """A fleet of so many relays that nobody lists. maps: taken in turn.

    behind_gateway: units that share one address; 0 for relays that speak TCP themselves.
    """

    count: Annotated[int, Field(ge=1, le=limits.RELAYS_MAX)]
    maps_folder: Line = "../maps"
    maps: Annotated[tuple[Line, ...], Field(min_length=1, max_length=16, strict=False)]
    client_slots: Annotated[int, Field(ge=1, le=16)] = 4
    behind_gateway: Annotated[int, Field(ge=0, le=247)] = 0


class Gateway(Strict):
    """delay_s: what the serial line adds to each request; timeout_s: until it gives a unit up."""

    delay_s: Annotated[float, Field(ge=0, le=60)] = 0.05
    timeout_s: Annotated[float, Field(ge=0, le=60)] = 1.0


class Moment(Strict):
    """at: when; relay: to whom."""

    at: Seconds
    relay: Whom


class FirmwareUpdate(Moment):
    """Away, then the boot program, then another version, with the flag that its family raises."""

    do: Literal["firmware_update"]
    to: Values
    map: Line | None = None
    away_s: Seconds = 20
    boot_s: Seconds = 5
    how: How = "refuse"
    flag: Name | None = None
    flag_cleared_after_s: Seconds | None = None


class SettingsChange(Moment):
    do: Literal["settings_change"]
    to: Values
    flag: Name | None = None
    flag_cleared_after_s: Seconds | None = None


class Replaced(Moment):
    """Another box of the same kind. Without a serNum in `to` a new one is drawn."""

    do: Literal["replaced"]
    to: Values = Field(default={})
    map: Line | None = None
    away_s: Seconds = 20
    how: How = "refuse"


class Silent(Moment):
    """how: connections are taken and nothing is said, or they are refused.

    restarted: its uptime begins again when it is back, as after a loss of power.
    """

    do: Literal["silent"]
    until: Seconds | None = None
    how: How = "no_reply"
    restarted: bool = False


class Busy(Moment):
    do: Literal["busy"]
    until: Seconds | None = None


class FlagRaised(Moment):
    do: Literal["flag_raised"]
    flag: Name


class FlagCleared(Moment):
    do: Literal["flag_cleared"]
    flag: Name


class TestMode(Moment):
    """Without `until` it is left on."""

    do: Literal["test_mode"]
    behaviour: Literal["test", "test_blocked", "blocked"] = "test"
    until: Seconds | None = None


class HealthTurns(Moment):
    do: Literal["health"]
    health: Literal["ok", "warning", "alarm"]


class Misbehaves(Moment):
    """kind and its parameters: see simulator.misbehaviour. times: replies at most, 0 for all."""

    do: Literal["misbehave"]
    kind: Name
    until: Seconds | None = None
    chance: Chance = 1.0
    times: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    parameters: dict[Name, float | int] = Field(default={})


Scene: TypeAlias = Annotated[
    FirmwareUpdate
    | SettingsChange
    | Replaced
    | Silent
    | Busy
    | FlagRaised
    | FlagCleared
    | TestMode
    | HealthTurns
    | Misbehaves,
    Field(discriminator="do"),
]


class Scenario(Strict):
    """site: path of a site file, from this file; or fleet: so many relays. One of them.

    boxes_of: path of another scenario, from this file, whose boxes there are besides.
    seed: the same one gives the same fleet and the same faults.
    """

    format: Literal[1]
    scenario: Id
    about: str = ""
    site: Line | None = None
    fleet: Counted | None = None
    seed: Annotated[int, Field(ge=0, le=2**31)] = 1
    speed: Annotated[float, Field(ge=0.01, le=10_000)] = 1
    gateway: Gateway = Gateway()
    boxes: Annotated[tuple[Box, ...], Field(max_length=64, strict=False)] = ()
    boxes_of: Line | None = None
    relays: dict[Id, Own] = Field(default={})
    story: Annotated[tuple[Scene, ...], Field(max_length=10_000, strict=False)] = ()
    ends_s: Seconds | None = None  # None: with the last thing that happens
