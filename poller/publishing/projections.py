"""From durable state and live readings to messages: what a retained topic is about just now, and
how the body of each is made and told apart from the last. Pure functions.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from heapq import nlargest
from typing import Any, Final, Generic, TypeAlias, TypeVar

from poller.model import limits
from poller.model.canonical import encode, plain
from poller.model.standing import Relay, State
from poller.model.status import StatusReading
from poller.model.work import ENDED, Work
from poller.publishing.messages import (
    Message,
)
from poller.site.settings import Site

ID_CHARACTERS: Final = 32  # half of SHA-256: no two bodies of one site meet in it


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """Ready to publish. digest: equal where a new message would tell nothing new.

    expires: the broker may drop it when it is old.
    """

    schema: str
    id: str
    payload: bytes
    digest: str = ""
    expires: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """All that a topic can be about. live: the last reading of each relay, not durable."""

    state: State
    live: Mapping[str, StatusReading]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What every body may use beside its parts. seq: the last event that it takes in."""

    site: Site
    seq: int


Parts = TypeVar("Parts", bound=tuple[object, ...])


@dataclass(frozen=True, slots=True, kw_only=True)
class Projection(Generic[Parts]):
    """How a retained topic follows from what is known.

    of: by id, the values that a body is made of. None: it is over, and cleared at each start even
    where no note says that it was published, for notes are written a little later. What is no
    longer told is cleared too, where it was published. body: looks at nothing but its parts, since
    it is asked again only when one of them is another value. looks_at: what of them, where that is
    less than all.
    """

    of: Callable[[Known], Iterable[tuple[str, Parts | None]]]
    body: Callable[[Source, str, Parts], Body]
    looks_at: Callable[[Parts], object] | None = None

    def is_as_before(self, before: Parts | None, now: Parts | None) -> bool:
        """Whether a body made of these parts would say what the last one says."""
        # the fold leaves alone what did not move, so that this mostly compares identities
        if before == now:
            return True
        if before is None or now is None or self.looks_at is None:
            return False
        return self.looks_at(before) == self.looks_at(now)


# What topics are about.

OfRelay: TypeAlias = tuple[Relay]
OfReading: TypeAlias = tuple[Relay, StatusReading | None]
OfWork: TypeAlias = tuple[Work, Relay | None]


def listed(known: Known) -> Iterator[tuple[str, OfRelay | None]]:
    for name, relay in known.state.relays.items():
        yield name, (relay,) if relay.listed else None


def listed_and_read(known: Known) -> Iterator[tuple[str, OfReading | None]]:
    for name, relay in known.state.relays.items():
        yield name, (relay, known.live.get(name)) if relay.listed else None


def open_work(known: Known) -> Iterator[tuple[str, OfWork | None]]:
    """With what ended last; of all that ended there may be thousands."""
    ended = []
    for name, work in known.state.works.items():
        if work.state in ENDED:
            ended.append(work)
        else:
            yield name, (work, known.state.relays.get(work.plan.relay))
    for work in nlargest(limits.WORK_CLEARED_MAX, ended, key=lambda work: work.since):
        yield work.id, None


def body_of(message: Message, *, ignored: Collection[str] = ()) -> Body:
    """ignored: members that alone are no reason for a new message; times of reading never are."""
    said = plain(message)
    seq = said.pop("seq", None)
    del said["id"]
    identity = _digest(said)
    told = {name: _telling(value, name in ignored) for name, value in said.items()}
    said["id"] = identity
    if seq is not None:
        said["seq"] = seq
    return Body(schema=message.schema, id=identity, payload=encode(said), digest=_digest(told))


def _telling(value: Any, ignored: bool) -> Any:
    """Of an ignored value only that it is to be had, and how well."""
    if isinstance(value, dict):
        dropped = {"at", "value"} if ignored else {"at"}
        return {name: inner for name, inner in value.items() if name not in dropped}
    return None if ignored else value


def _digest(said: dict[str, Any]) -> str:
    return hashlib.sha256(encode(said)).hexdigest()[:ID_CHARACTERS]
