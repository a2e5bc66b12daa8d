"""The site file: which relays, where, how often, whom to tell. Every bound has its reason."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Any, Final, Literal, Self, TypeAlias

from pydantic import Field, model_validator

from poller.model import limits
from poller.site.advisory_families import AdvisoryFamilies
from poller.site.alarm_catalogue import Catalogue
from poller.site.approved import Approved
from poller.site.register_map import MapName, RegisterMap
from poller.site.strict import Strict

Id: TypeAlias = Annotated[
    str,
    Field(
        pattern=r"^[a-z0-9-]{1,40}$",
        description="small letters, digits and dashes, at most 40: topics and points carry it",
    ),
]
OutputName: TypeAlias = Annotated[
    str,
    Field(
        pattern=r"^[a-z0-9_-]{1,40}$",
        description="small letters, digits, dashes and underscores, at most 40: alarms carry it",
    ),
]
Text: TypeAlias = Annotated[str, Field(min_length=1, max_length=limits.TEXT_MAX)]
Port: TypeAlias = Annotated[
    int, Field(ge=1, le=65_535, description="a TCP port has 16 bits, and 0 is none")
]
DAY_S: Final = 86_400
HELD_FROM_SLOTS: Final = 3  # with fewer client slots the connection is closed after each visit
EVERY_S: Final = "a second is for benches and demonstrations; past a day nobody would notice"


class Intervals(Strict):
    """How often and how patiently. A relay's own values stand above the site's.

    Absent: 60 s, or 300 s behind serial, where one line serves many.
    """

    # a relay is asked every 10 s at most by custom
    status_s: Annotated[float, Field(ge=1, le=DAY_S, description=EVERY_S)] | None = None
    # the nameplate changes a few times in a relay's life; the hour bounds how late we notice
    nameplate_s: Annotated[float, Field(ge=1, le=DAY_S, description=EVERY_S)] = 3_600
    confirm_s: Annotated[
        float,
        Field(ge=1, le=3_600, description="two passes must agree; boot text lasts for minutes"),
    ] = 60
    confirm_after_restart_s: Annotated[
        float, Field(ge=1, le=3_600, description="after a restart boot text is about for minutes")
    ] = 300
    # 3 s is many times a relay's answer; serial gateways try several times themselves
    reply_timeout_s: (
        Annotated[
            float,
            Field(ge=0.1, le=60, description="a relay takes over 0.1 s, no gateway a minute"),
        ]
        | None
    ) = None
    # 100 ms between requests, 250 ms on a serial line
    rest_ms: (
        Annotated[
            int,
            Field(ge=0, le=10_000, description="a relay serves protection first, then us"),
        ]
        | None
    ) = None
    silent_misses: Annotated[
        int, Field(ge=1, le=100, description="at 60 s a hundred are a hundred minutes")
    ] = 3
    # erased memory and boot text pass within minutes; half an hour does not
    unreadable_s: Annotated[float, Field(ge=1, le=DAY_S, description=EVERY_S)] = 1_800


_GIVEN: Final[dict[frozenset[str], set[str]]] = {}  # no more than there are choices of keys


class RelayEntry(Strict):
    """A position: bay and function. id is permanent; topics, history and points hang on it."""

    id: Id
    bay: Text
    function: Text
    host: Text
    port: Port = 502
    unit: Annotated[
        int,
        Field(
            ge=0,
            le=255,
            description="255 speaks TCP itself (implementation guide 4.4.1.2); 1 to 247 on serial",
        ),
    ] = 255
    maps: Annotated[
        tuple[MapName, ...],
        Field(min_length=1, max_length=limits.MAPS_PER_RELAY_MAX, strict=False),
    ]
    client_slots: Annotated[
        int, Field(ge=1, le=16, description="TCP clients it serves; relays have one to four")
    ] = 1
    behind_serial: bool = False
    intervals: Intervals | None = None

    @model_validator(mode="after")
    def _keys_kept_once(self) -> Self:
        """Pydantic keeps the keys that were given, 700 octets a relay; nearly all give the same."""
        given = _GIVEN.setdefault(frozenset(self.model_fields_set), self.model_fields_set)
        object.__setattr__(self, "__pydantic_fields_set__", given)
        return self

    @property
    def held(self) -> bool:
        """Its connection stays open between two visits."""
        return self.client_slots >= HELD_FROM_SLOTS


class Secret(Strict):
    """A user or password: the name of an environment variable, or of a file. Never the value."""

    env: Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]{0,254}$")] | None = None
    file: Text | None = None


class Tls(Strict):
    ca: Text
    certificate: Text | None = None
    key: Text | None = None


class Broker(Strict):
    host: Text
    port: Port = 1883
    protocol: Literal["5", "3.1.1"] = "5"
    tls: Tls | None = None
    user: Secret | None = None
    password: Secret | None = None
    keepalive_s: Annotated[
        int, Field(ge=5, le=600, description="a dead link is noticed within half as much again")
    ] = 30
    # MQTT 5.0, 3.2.2.3.6, where the broker says it itself; 3.1.1 knows no such thing
    maximum_packet_size: Annotated[
        int | None,
        Field(
            ge=2_048,
            le=268_435_460,
            description="octets; for a broker that ends the connection over what is longer and"
            " does not say so: an event that is too long is told without its body",
        ),
    ] = None


class JournalPlace(Strict):
    """file: beside the site file unless absolute. keep_days: three years, the usual audit cycle."""

    file: Text = "bayroll.journal"
    keep_days: Annotated[
        int, Field(ge=90, le=36_500, description="a quarter, so that a season's work is in it")
    ] = 1_095


class WorkSettings(Strict):
    """How work on relays is judged."""

    # the readings must hold so long after work: half an hour shows a restart loop or a slow alarm
    soak_s: Annotated[
        int,
        Field(
            ge=1,
            le=7 * DAY_S,
            description="a second is for demonstrations; past a week work would never end",
        ),
    ] = 1_800
    # common practice, no published source: one bay at a time
    bays_at_once: Annotated[
        int,
        Field(ge=1, le=100, description="bays with work under way; a substation has no more"),
    ] = 1


Members: TypeAlias = Annotated[
    tuple[Id, ...],
    Field(
        min_length=1,
        max_length=limits.GROUP_MEMBERS_MAX,
        strict=False,
        description="ids of relays; the largest busbar zone has so many bays",
    ),
]


class Redundant(Strict):
    """Main 1 and main 2: never out together, and after work on one a soak before the other."""

    kind: Literal["redundant"]
    members: Members
    # a day brings a load cycle and a night, in which new firmware shows what it does
    soak_h: Annotated[
        int,
        Field(ge=0, le=30 * 24, description="hours; past a month both would never get the update"),
    ] = 24


class FarEnd(Strict):
    """A line end in another substation, which is not read from here. version: what it runs."""

    substation: Text
    relay: Text
    version: Text


class LineEnds(Strict):
    """Differential and teleprotection: ends that work together only in some pairs of versions.

    pairs: firmware (swRev) of two ends, whichever of them has which; equal ones count only where
    they stand here.
    """

    kind: Literal["line_ends"]
    members: Members
    pairs: Annotated[
        tuple[
            Annotated[
                tuple[Text, ...],
                Field(
                    min_length=2,
                    max_length=2,
                    strict=False,
                    description="the firmware of one end and that of the other",
                ),
            ],
            ...,
        ],
        Field(min_length=1, max_length=limits.GROUP_PAIRS_MAX, strict=False),
    ]
    far: FarEnd | None = None


class SharedZone(Strict):
    """Busbar or breaker failure protection: a person decides each time, and says so."""

    kind: Literal["shared_zone"]
    members: Members


ProtectionGroup: TypeAlias = Annotated[
    Redundant | LineEnds | SharedZone, Field(discriminator="kind")
]


class PageTls(Strict):
    """Files beside the site file unless absolute: what proves the page to a browser."""

    certificate: Text
    key: Text


class Page(Strict):
    """Where the page and its API are served. names: others by which people open it there.

    Elsewhere than on loopback it needs tls, and at least one user.
    """

    host: Text = "127.0.0.1"
    port: Port = 8420
    names: Annotated[
        tuple[Text, ...],
        Field(
            max_length=limits.PAGE_NAMES_MAX,
            strict=False,
            description="of the machine and of a proxy before it",
        ),
    ] = ()
    tls: PageTls | None = None
    session_h: Annotated[
        int,
        Field(ge=1, le=168, description="a shift and its handover; a display on a wall, a week"),
    ] = 12

    @property
    def on_loopback(self) -> bool:
        """Nobody reaches it but from this machine."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host.lower() == "localhost"


class SiteFile(Strict):
    """asset_class: impact rating after NERC CIP-002, where that applies."""

    format: Literal[1]
    site: Id
    name: Text
    asset_class: Literal["high", "medium", "low", "none"] = "none"
    source_address: Text | None = None
    maps_folder: Text = "maps"
    approved: Text | None = None  # the approved list, beside the site file unless absolute
    alarms: Text | None = None  # the catalogue of alarms, in the same way; None: the shipped one
    advisories: Text | None = None  # which relays the names in advisories mean, in the same way
    intervals: Intervals = Intervals()
    broker: Broker | None = None
    # output name to its settings; each output checks its own
    outputs: dict[OutputName, dict[str, Any]] = Field(default={})
    journal: JournalPlace = JournalPlace()
    work: WorkSettings = WorkSettings()
    page: Page | None = Page()  # null: none is served
    protection_groups: dict[Id, ProtectionGroup] = Field(
        default={},
        max_length=limits.GROUPS_MAX,
        description="a relay or two a group; more groups than relays are none",
    )
    status_publish_s: Annotated[float, Field(ge=1, le=DAY_S, description=EVERY_S)] = 300
    relays: Annotated[
        tuple[RelayEntry, ...],
        Field(
            min_length=1,
            max_length=limits.RELAYS_MAX,
            strict=False,
            description="one process asks so many; a substation has 20 to 100",
        ),
    ]

    @cached_property
    def by_id(self) -> dict[str, RelayEntry]:
        return {entry.id: entry for entry in self.relays}

    @cached_property
    def by_address(self) -> dict[tuple[str, int], tuple[str, ...]]:
        """Ids of relays by host and port; several stand behind one gateway."""
        found: dict[tuple[str, int], list[str]] = {}
        for entry in self.relays:
            found.setdefault((entry.host, entry.port), []).append(entry.id)
        return {address: tuple(names) for address, names in found.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """The intervals in force for one relay; units in the names."""

    status_s: float
    nameplate_s: float
    confirm_s: float
    confirm_after_restart_s: float
    reply_timeout_s: float
    rest_ms: int
    silent_misses: int
    unreadable_s: float


def pace(site: Intervals, relay: RelayEntry) -> Pace:
    """The relay's own values, else the site's, else the default for how the relay is reached."""
    own = relay.intervals.model_dump(exclude_unset=True) if relay.intervals else {}
    merged = site.model_copy(update={k: v for k, v in own.items() if v is not None})
    serial = relay.behind_serial
    return Pace(
        status_s=merged.status_s or (300 if serial else 60),
        nameplate_s=merged.nameplate_s,
        confirm_s=merged.confirm_s,
        confirm_after_restart_s=max(merged.confirm_s, merged.confirm_after_restart_s),
        reply_timeout_s=merged.reply_timeout_s or (10 if serial else 3),
        rest_ms=(250 if serial else 100) if merged.rest_ms is None else merged.rest_ms,
        silent_misses=merged.silent_misses,
        unreadable_s=merged.unreadable_s,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site whose files have no faults. maps: by name, those that relays use, `any` included.

    texts: name of each file to its text, as recorded when the site is loaded. approved,
    alarms, advisories: None where the site names no such file of its own.
    """

    file: SiteFile
    maps: dict[str, RegisterMap]
    texts: dict[str, str]
    sha256: str
    approved: Approved | None = None
    alarms: Catalogue | None = None
    advisories: AdvisoryFamilies | None = None

    def relay(self, relay_id: str) -> RelayEntry:
        """Raises KeyError where the site lists no such relay."""
        return self.file.by_id[relay_id]
