"""Sparkplug payloads: protocol buffers whose messages are made here, from our own table of fields.

Source of names and numbers: Sparkplug Specification 3.0.0, chapter 6.4. What stands not in the
table (metadata, data sets, templates, extensions) is never sent, and passed over where it comes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from typing import Any, Final, TypeAlias

try:
    from google.protobuf import descriptor_pb2, descriptor_pool, message, message_factory
except ImportError as reason:
    raise ImportError("it needs protobuf: install bayroll[sparkplug]") from reason

from poller.model import limits
from poller.model.text import shown

FIELDS: Final = """
Payload
  1 timestamp uint64
  2 metrics Metric*
  3 seq uint64
  4 uuid string
  5 body bytes
Metric
  1 name string
  2 alias uint64
  3 timestamp uint64
  4 datatype uint32
  5 is_historical bool
  6 is_transient bool
  7 is_null bool
  9 properties PropertySet
  10 int_value uint32
  11 long_value uint64
  12 float_value float
  13 double_value double
  14 boolean_value bool
  15 string_value string
  16 bytes_value bytes
PropertySet
  1 keys string*
  2 values PropertyValue*
PropertyValue
  1 type uint32
  2 is_null bool
  3 int_value uint32
  4 long_value uint64
  5 float_value float
  6 double_value double
  7 boolean_value bool
  8 string_value string
"""
PACKAGE: Final = "bayroll.sparkplug"
REBIRTH: Final = "Node Control/Rebirth"
QUALITY: Final = "Quality"
EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
MS: Final = timedelta(milliseconds=1)


class DataType(IntEnum):
    """Those that we send. No UInt32: common decoders look for it in different fields."""

    INT32 = 3
    INT64 = 4
    BOOLEAN = 11
    STRING = 12
    DATETIME = 13


class Quality(IntEnum):
    """Quality codes of chapter 6.4.10."""

    BAD = 0
    GOOD = 192
    STALE = 500


Value: TypeAlias = bool | int | str | datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """value None: null. at: when it was read; None: nothing says, so when it is sent.

    facts: what does not move, told at births only: a unit, what the values mean.
    """

    name: str
    type: DataType
    value: Value
    at: datetime | None = None
    quality: Quality | None = None
    historical: bool = False
    facts: tuple[tuple[str, str], ...] = ()


def _messages() -> dict[str, Any]:
    file = descriptor_pb2.FileDescriptorProto(
        name="bayroll/sparkplug.proto", package=PACKAGE, syntax="proto2"
    )
    kind = descriptor_pb2.FieldDescriptorProto
    for line in FIELDS.split("\n"):
        words = line.split()
        if len(words) == 1:
            inside = file.message_type.add(name=words[0])
        elif words:
            number, name, word = words
            field = inside.field.add(name=name, number=int(number))
            many = word.endswith("*")
            field.label = kind.LABEL_REPEATED if many else kind.LABEL_OPTIONAL
            word = word.rstrip("*")
            if word[0].isupper():
                field.type, field.type_name = kind.TYPE_MESSAGE, f".{PACKAGE}.{word}"
            else:
                field.type = getattr(kind, f"TYPE_{word.upper()}")
            if name.endswith("_value"):
                if not inside.oneof_decl:
                    inside.oneof_decl.add(name="value")
                field.oneof_index = 0
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return {
        one.name: message_factory.GetMessageClass(
            pool.FindMessageTypeByName(f"{PACKAGE}.{one.name}")
        )
        for one in file.message_type
    }


MESSAGES: Final = _messages()


def encode(
    metrics: Iterable[Metric], at: datetime, *, seq: int | None, birth: bool, typed: bool = False
) -> bytes:
    """In the order of their times. at: now, the time of the payload. birth: with types and facts.

    typed: with types anyway.
    """
    payload = MESSAGES["Payload"](timestamp=_ms(at))
    if seq is not None:
        payload.seq = seq
    for metric in sorted(metrics, key=lambda one: one.at or at):
        one = payload.metrics.add(name=metric.name, timestamp=_ms(metric.at or at))
        if birth or typed:
            one.datatype = metric.type
        if metric.historical:
            one.is_historical = True
        if metric.value is None:
            one.is_null = True
        else:
            _set(one, metric.type, metric.value)
        if metric.quality is not None:
            one.properties.keys.append(QUALITY)
            one.properties.values.add(type=DataType.INT32, int_value=metric.quality)
        for key, fact in metric.facts if birth else ():
            one.properties.keys.append(key)
            one.properties.values.add(type=DataType.STRING, string_value=fact)
    octets: bytes = payload.SerializeToString()
    return octets


def asks_for_rebirth(octets: bytes) -> bool:
    """Of the payload of an NCMD; False: of anything else, also of what is no payload."""
    try:
        payload = MESSAGES["Payload"].FromString(octets)
    except message.DecodeError:
        return False
    return any(one.name == REBIRTH and one.boolean_value for one in payload.metrics)


def _set(one: Any, kind: DataType, value: Any) -> None:
    match kind:
        case DataType.INT32:
            one.int_value = value & 0xFFFF_FFFF
        case DataType.INT64:
            one.long_value = value & 0xFFFF_FFFF_FFFF_FFFF
        case DataType.DATETIME:
            one.long_value = _ms(value)
        case DataType.BOOLEAN:
            one.boolean_value = value
        case DataType.STRING:
            one.string_value = shown(value, limits.REASON_MAX)


def _ms(at: datetime) -> int:
    """Since 1970, UTC; what a wrong clock puts before that is 1970."""
    return max(0, (at - EPOCH) // MS)
