"""What is known of a relay, and of the station, as Sparkplug metrics: pure functions.

They say what the MQTT topics nameplate, status, firmware_status and alarm say; a metric that is not
null there is not null here. A group's digest tells whether there is anything new to tell.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from poller.alarms.points import STATION
from poller.model.alarms import Alarm, Audience
from poller.model.canonical import unstamp
from poller.model.nameplate import ATTRIBUTES
from poller.model.standing import Relay
from poller.model.status import Quality as Read
from poller.model.status import StatusReading
from poller.publishing.bodies import firmware_status_body, nameplate_body
from poller.publishing.bodies import status_body as status_message
from poller.publishing.projections import Source
from poller.publishing.sparkplug.payload import DataType, Metric, Quality, Value
from poller.site.alarm_catalogue import Entry

QUALITIES: Final = {
    Read.GOOD: Quality.GOOD,
    Read.STALE: Quality.STALE,
    Read.BAD: Quality.BAD,
    Read.MANUAL: Quality.STALE,  # nobody knows whether it is still so
    None: None,
}
COMPONENT: Final = ("hwRev", "swRev")
INT64_MAX: Final = 2**63 - 1
WHOLE: Final = {
    "health": (DataType.INT32, ("Values", "1 ok, 2 warning, 3 alarm")),
    "behaviour": (DataType.INT32, ("Values", "1 on, 2 blocked, 3 test, 4 test/blocked, 5 off")),
    "setting_group": (DataType.INT64, None),
    "free_memory_kb": (DataType.INT64, ("Unit", "kB")),
    "stored_records": (DataType.INT64, None),
    "uptime_s": (DataType.INT64, ("Unit", "s")),
}
FIRMWARE: Final = ("version", "target", "status", "rule")


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """digest: equal where its metrics tell nothing new; what moves by itself is left out of it."""

    digest: object
    metrics: tuple[Metric, ...]


def metric_name(*parts: str) -> str:
    """Parts as folders; of what hosts may stumble over, nothing is left: chapter 6.4.6."""
    return "/".join(re.sub(r"[^A-Za-z0-9_-]", "_", part[:64]) for part in parts)


def flat_name(folder: str, attribute: str, *more: str) -> str:
    """Of an attribute by its flat name: swRev, components.boot.swRev."""
    return metric_name(folder, *attribute.split("."), *more)


def alarm_name(entry: str, leaf: str) -> str:
    return metric_name("Alarm", entry.replace(".", "-"), leaf)


def nameplate(source: Source, name: str, relay: Relay) -> Group:
    body = nameplate_body(source, name, (relay,))
    said = json.loads(body.payload)
    at, quality = _time(said["read_at"] or said["since"]), QUALITIES[said["quality"]]
    values = {attribute: said[attribute] for attribute in ATTRIBUTES}
    parts = {part["name"]: part for part in said["components"]}
    for part in sorted(parts.keys() | _mapped(source, relay)):
        for attribute in COMPONENT:
            values[f"components.{part}.{attribute}"] = parts.get(part, {}).get(attribute)
    metrics = [
        text(flat_name("Nameplate", attribute), value, at=at, quality=quality)
        for attribute, value in values.items()
    ]
    metrics += (text(f"Position/{word}", said[word]) for word in ("bay", "function"))
    metrics += (text(f"Nameplate/{word}", said[word]) for word in ("map", "baseline"))
    return _group(metrics)


def status(
    source: Source,
    name: str,
    relay: Relay,
    reading: StatusReading | None,
    before: Group | None = None,
) -> Group:
    """before: what was made last of this relay; the same again where nothing new is told."""
    body = status_message(source, name, (relay, reading))
    digest = (body.digest, relay.map)  # its flags are the map's
    if before is not None and before.digest == digest:
        return before
    said = json.loads(body.payload)
    metrics = [
        whether("Status/answering", said["answering"] == "answering", relay.answering_since),
        whether("Status/paused", said["paused"]),
    ]
    metrics += (
        whole(word, said[word]["value"], _time(said[word]["at"]), QUALITIES[said[word]["quality"]])
        for word in WHOLE
    )
    clock = said["relay_time"]
    metrics.append(
        Metric(
            name="Status/relay_time",
            type=DataType.DATETIME,
            value=_time(clock["value"]),
            at=_time(clock["at"]),
            quality=QUALITIES[clock["quality"]],
        )
    )
    metrics += _flags(source, relay, said["flags"])
    return Group(digest=digest, metrics=tuple(metrics))


def _flags(source: Source, relay: Relay, said: dict[str, Any]) -> Iterator[Metric]:
    quality, read_at = QUALITIES[said["quality"]], _time(said["at"])
    since = {flag["flag"]: _time(flag["since"]) for flag in said["standing"]}
    chosen = source.site.maps.get(relay.map or "")
    meanings = {} if chosen is None else {flag: one.says for flag, one in chosen.flags.items()}
    for flag in sorted(meanings.keys() | since.keys()):
        known = quality is not None and quality is not Quality.BAD
        yield Metric(
            name=metric_name("Status", "flag", flag),
            type=DataType.BOOLEAN,
            value=flag in since if known else None,
            at=since.get(flag, read_at),
            quality=quality,
            facts=(("Says", meanings[flag]),) if flag in meanings else (),
        )


def firmware(source: Source, name: str, relay: Relay) -> Group:
    body = firmware_status_body(source, name, (relay,))
    judged = {one["attribute"]: one for one in json.loads(body.payload)["firmware"]}
    own = relay.nameplate.components if relay.nameplate else ()
    parts = {part.name for part in own} | _mapped(source, relay)
    attributes = {"swRev", *(f"components.{part}.swRev" for part in parts)} | judged.keys()
    metrics = [
        text(flat_name("Firmware", attribute, word), one.get(word), at=_time(one.get("since")))
        for attribute in sorted(attributes)
        for one in (judged.get(attribute, {}),)
        for word in FIRMWARE
    ]
    return _group(metrics)


def alarms(entries: Iterable[Entry], standing: Sequence[Alarm]) -> Group:
    """For the operator. Of several of one entry (of components, of outputs) the gravest is told."""
    metrics: list[Metric] = []
    for entry in entries:
        of_it = [alarm for alarm in standing if alarm.entry == entry.id and for_operator(alarm)]
        alarm = max(of_it, key=_gravity, default=None)
        at = alarm.since if alarm else None
        says = alarm.says if alarm and alarm.letter != "A" else None
        metrics += (
            text(
                alarm_name(entry.id, "state"),
                alarm.letter if alarm else "A",
                at=at,
                facts=(("Priority", entry.priority),),
            ),
            whether(alarm_name(entry.id, "active"), any(one.active for one in of_it), at),
            text(alarm_name(entry.id, "says"), says, at=at),
        )
    return _group(metrics)


def for_operator(alarm: Alarm) -> bool:
    """As on the topic alarm: whom it is for is not known of one that never came."""
    return not alarm.audience or Audience.OPERATOR_ALARM in alarm.audience


def of_owner(owner: str, group: Group) -> Group:
    """Alarms of no single relay are the node's: of the station, or in the folder of a gateway."""
    if owner == STATION:
        return group
    folder = metric_name("Gateway", owner)
    return _group(replace(one, name=f"{folder}/{one.name}") for one in group.metrics)


def text(
    name: str,
    value: str | None,
    *,
    at: datetime | None = None,
    quality: Quality | None = None,
    facts: tuple[tuple[str, str], ...] = (),
) -> Metric:
    return Metric(name=name, type=DataType.STRING, value=value, at=at, quality=quality, facts=facts)


def whole(
    word: str, value: int | None, at: datetime | None, quality: Quality | None = None
) -> Metric:
    """Of a name in WHOLE; what no field holds is no value."""
    kind, fact = WHOLE[word]
    if value is not None and abs(value) > INT64_MAX:
        value, quality = None, Quality.BAD
    return Metric(
        name=f"Status/{word}",
        type=kind,
        value=value,
        at=at,
        quality=quality,
        facts=(fact,) if fact else (),
    )


def whether(name: str, value: bool, at: datetime | None = None) -> Metric:
    return Metric(name=name, type=DataType.BOOLEAN, value=value, at=at)


def telling(metric: Metric) -> tuple[Value, Quality | None]:
    """What makes it worth telling again."""
    return metric.value, metric.quality


def _mapped(source: Source, relay: Relay) -> set[str]:
    """Components that its map reads: they are told from the first birth on, as null."""
    chosen = source.site.maps.get(relay.map or "")
    return set() if chosen is None else set(chosen.components)


def _gravity(alarm: Alarm) -> tuple[bool, bool, datetime]:
    return alarm.annunciated, alarm.active, alarm.since


def _time(stamp: str | None) -> datetime | None:
    return None if stamp is None else unstamp(stamp)


def _group(metrics: Iterable[Metric]) -> Group:
    """Without those whose names differ from an earlier one's in case only, or not at all."""
    unique: dict[str, Metric] = {}
    for metric in metrics:
        unique.setdefault(metric.name.casefold(), metric)
    telling_all = tuple((one.name, *telling(one)) for one in unique.values())
    return Group(digest=telling_all, metrics=tuple(unique.values()))
