"""Event to stored bytes and back. What is stored never changes; what reads it may grow.

Envelope, canonical JSON: {seq, id, at, kind, v, subject, body, cause, by}; at in UTC ms.
A kind's body may gain optional fields. Any other change is a new version of the kind, with a lift
from the old one in LIFTS, kept for ever.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Mapping
from functools import cache
from typing import Any, Final, NoReturn, TypeAlias

from pydantic import ConfigDict, TypeAdapter, ValidationError

from poller.model import limits
from poller.model.canonical import encode as canonical
from poller.model.canonical import plain, stamp, unstamp
from poller.model.events import KINDS, Body, Event, Recorded

Lift: TypeAlias = Callable[[dict[str, Any]], dict[str, Any]]

LIFTS: Final[dict[tuple[str, int], Lift]] = {}
"""(kind, v) to the pure function that turns its body, as JSON types, into that of v + 1."""

KEYS: Final = frozenset({"seq", "id", "at", "kind", "v", "subject", "body", "cause", "by"})


class NotStorable(ValueError):
    """An event that could not be read back, or is too long: our own mistake, nothing is written."""


class Unreadable(ValueError):
    """Stored bytes that are no envelope, or whose body does not fit its kind."""


class UnknownKind(Exception):
    """A newer Bayroll wrote this; this one must not guess what it means."""

    def __init__(self, kind: str, v: int, seq: int) -> None:
        self.kind, self.v, self.seq = kind, v, seq
        super().__init__(
            f"event {seq} is a {kind} of version {v}, which this Bayroll does not know: "
            "a newer Bayroll wrote it"
        )


def write(seq: int, event_id: str, event: Event) -> bytes:
    """The bytes to store. Raises NotStorable."""
    body = event.body
    envelope = {
        "seq": seq,
        "id": event_id,
        "at": stamp(event.at),
        "kind": body.kind,
        "v": body.v,
        "subject": event.subject,
        "body": plain(body),
        "cause": event.cause,
        "by": event.by,
    }
    try:
        stored = canonical(envelope)
    except (TypeError, ValueError) as reason:
        raise NotStorable(f"{body.kind}: {reason}") from reason
    most = limits.STATE_BYTES_MAX if body.kind == "pruned" else limits.EVENT_BYTES_MAX
    if len(stored) > most:
        raise NotStorable(f"{body.kind}: {len(stored)} bytes; at most {most} are kept")
    return stored


def read(
    stored: bytes,
    hash_hex: str,
    *,
    kinds: Mapping[tuple[str, int], type[Body]] = KINDS,
    lifts: Mapping[tuple[str, int], Lift] = LIFTS,
) -> Recorded:
    """The event in stored bytes. Raises Unreadable or UnknownKind."""
    envelope = parse(stored)
    seq, kind, v, body = envelope["seq"], envelope["kind"], envelope["v"], envelope["body"]
    while (kind, v) in lifts:
        body = lifts[kind, v](body)
        v += 1
    if (kind, v) not in kinds:
        raise UnknownKind(kind, v, seq)
    try:
        event = Event(
            at=unstamp(envelope["at"]),
            subject=envelope["subject"],
            body=_body(kinds[kind, v], body),
            cause=envelope["cause"],
            by=envelope["by"],
        )
    except ValidationError as reason:
        first = reason.errors(include_url=False)[0]
        place = ".".join(str(step) for step in first["loc"][1:])
        raise Unreadable(f"{kind} of version {v}: {place}: {first['msg']}") from reason
    except ValueError as reason:
        raise Unreadable(f"{kind}: {reason}") from reason
    return Recorded(seq=seq, id=envelope["id"], event=event, hash=hash_hex, stored=stored)


def parse(stored: bytes) -> dict[str, Any]:
    """The envelope as JSON types; its keys and types are checked. Raises Unreadable."""
    try:
        envelope = _DECODER.decode(stored.decode())
    except (ValueError, RecursionError) as reason:
        raise Unreadable(f"no JSON: {reason}") from reason
    if not isinstance(envelope, dict) or envelope.keys() != KEYS:
        raise Unreadable("not the keys of an envelope")
    for name, kind in TYPES.items():
        if not isinstance(envelope[name], kind) or isinstance(envelope[name], bool):
            raise Unreadable(f"{name} is of a wrong type")
    return envelope


TYPES: Final[dict[str, tuple[type, ...]]] = {
    "seq": (int,),
    "id": (str,),
    "at": (str,),
    "kind": (str,),
    "v": (int,),
    "subject": (str,),
    "body": (dict,),
    "cause": (str, type(None)),
    "by": (str, type(None)),
}


def _body(kind: type[Body], given: dict[str, Any]) -> Body:
    hashable: Any = kind
    body: Body = _reader(hashable).validate_python((given,))[0]
    return body


@cache
def _reader(kind: Hashable) -> TypeAdapter[Any]:
    # a dataclass takes no configuration from outside; a tuple does, and hands it down to all inside
    inside: Any = tuple.__class_getitem__(kind)
    return TypeAdapter(inside, config=ConfigDict(extra="forbid"))


def _refuse(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number that is stored")


_DECODER: Final = json.JSONDecoder(parse_float=_refuse, parse_constant=_refuse)
