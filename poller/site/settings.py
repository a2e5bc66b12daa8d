"""The site file: which relays, where, how often, whom to tell. Every bound has its reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import Field

from poller.model import limits
from poller.site.register_map import RegisterMap
from poller.site.strict import Strict

Id: TypeAlias = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,40}$")]
Text: TypeAlias = Annotated[str, Field(min_length=1, max_length=limits.TEXT_MAX)]
Port: TypeAlias = Annotated[int, Field(ge=1, le=65_535)]


class Intervals(Strict):
    """How often and how patiently. A relay's own values stand above the site's.

    Absent: 60 s, or 300 s behind serial, where one line serves many.
    """

    # 1 s is for benches and demonstrations; a relay is asked every 10 s at most by custom.
    status_s: Annotated[float, Field(ge=1, le=86_400)] | None = None
    # the nameplate changes a few times in a relay's life; the hour bounds how late we notice
    nameplate_s: Annotated[float, Field(ge=1, le=86_400)] = 3_600
    # between the two passes that must agree; boot text lasts for minutes after a restart
    confirm_s: Annotated[float, Field(ge=1, le=3_600)] = 60
    confirm_after_restart_s: Annotated[float, Field(ge=1, le=3_600)] = 300
    # 3 s is many times a relay's answer; serial gateways try several times themselves
    reply_timeout_s: Annotated[float, Field(ge=0.1, le=60)] | None = None
    # relays serve protection first; 100 ms between requests, 250 ms on a serial line
    rest_ms: Annotated[int, Field(ge=0, le=10_000)] | None = None
    # one lost reply is no silence
    silent_misses: Annotated[int, Field(ge=1, le=100)] = 3
    # erased memory and boot text pass within minutes; half an hour does not
    unreadable_s: Annotated[float, Field(ge=1, le=86_400)] = 1_800


class RelayEntry(Strict):
    """A position: bay and function. id is permanent; topics, history and points hang on it."""

    id: Id
    bay: Text
    function: Text
    host: Text
    port: Port = 502
    # 255: a device that speaks TCP itself (implementation guide 4.4.1.2); 1 to 247 behind a gateway
    unit: Annotated[int, Field(ge=0, le=255)] = 255
    maps: Annotated[tuple[str, ...], Field(min_length=1, max_length=16, strict=False)]
    # how many TCP clients the relay serves; SCADA owns most of them
    client_slots: Annotated[int, Field(ge=1, le=16)] = 1
    behind_serial: bool = False
    protection_group: Id | None = None
    intervals: Intervals | None = None


class Secret(Strict):
    """A user or password: the name of an environment variable, or of a file. Never the value."""

    env: Text | None = None
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
    keepalive_s: Annotated[int, Field(ge=5, le=600)] = 30


class JournalPlace(Strict):
    """file: beside the site file unless absolute. keep_days: three years, the usual audit cycle."""

    file: Text = "bayroll.journal"
    keep_days: Annotated[int, Field(ge=90, le=36_500)] = 1_095


class SiteFile(Strict):
    """asset_class: impact rating after NERC CIP-002, where that applies."""

    format: Literal[1]
    site: Id
    name: Text
    asset_class: Literal["high", "medium", "low", "none"] = "none"
    source_address: Text | None = None
    maps_folder: Text = "maps"
    intervals: Intervals = Intervals()
    broker: Broker | None = None
    # output name to its settings; each output checks its own
    outputs: dict[Id, dict[str, Any]] = Field(default={})
    journal: JournalPlace = JournalPlace()
    status_publish_s: Annotated[float, Field(ge=1, le=86_400)] = 300
    relays: Annotated[
        tuple[RelayEntry, ...],
        Field(min_length=1, max_length=limits.RELAYS_MAX, strict=False),
    ]


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

    texts: name of each file to its text, as recorded when the site is loaded.
    """

    file: SiteFile
    maps: dict[str, RegisterMap]
    texts: dict[str, str]
    sha256: str

    def relay(self, relay_id: str) -> RelayEntry:
        """Raises KeyError where the site lists no such relay."""
        for entry in self.file.relays:
            if entry.id == relay_id:
                return entry
        raise KeyError(relay_id)
