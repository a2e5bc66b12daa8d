"""What an output is. Found through the entry-point group bayroll.outputs, ours included."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from poller.alarms.requests import AckAlarm
from poller.journal.ports import Committer, Reader
from poller.model.events import Recorded
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.status import StatusReading
from poller.site.settings import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputStatus:
    """For `bayroll status`. connected: None where an output has no connection."""

    connected: bool | None
    says: str


Acknowledge = Callable[[AckAlarm, str, str], Awaitable[object]]
"""(request, its own id, who): returns once it is durable. Raises Refusal; the same id once more
gets what it got before."""


async def _nowhere(request: AckAlarm, number: str, by: str) -> object:
    raise Refusal(f"{request.alarm}: nothing is acknowledged here")


def _not_known() -> None:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Inside:
    """What outputs may know and ask of the service that runs them; as in Context."""

    live: Callable[[], Mapping[str, StatusReading]]
    acknowledge: Acknowledge
    state: Callable[[], State]
    clock_kept: Callable[[], bool | None]
    stuck: Callable[[], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What an output is given when it is opened.

    live: the last status reading of each relay, not durable. secrets: how a user or password is
    looked up (environment or file), so that no secret passes through settings or logs.
    acknowledge: for a peer over which the site acknowledges alarms. state: what is durable now,
    for whoever is asked how things stand. clock_kept: whether a time service keeps the clock; None:
    not known. stuck: the journal can't be written, so that nothing new is told.
    extra: folder: a path where relative names of files begin; random: for the jitter of retries.
    """

    name: str
    site: Site
    settings: Mapping[str, Any]
    reader: Reader
    committer: Committer
    live: Callable[[], Mapping[str, StatusReading]]
    now: Callable[[], Any]  # datetime, UTC
    secrets: Callable[[Any], str | None]
    acknowledge: Acknowledge = _nowhere
    state: Callable[[], State] = State
    clock_kept: Callable[[], bool | None] = _not_known
    stuck: Callable[[], bool] = bool
    extra: Mapping[str, Any] = field(default_factory=dict)


class Output(Protocol):
    """One that is called, and does not call, has also listens: its host and port."""

    name: str

    async def run(self) -> None:
        """Keeps the connection for as long as it is not cancelled; never raises for a dead peer."""

    async def deliver(self, events: Sequence[Recorded], state: State) -> int:
        """Delivers events in order; returns the seq of the last that the peer acknowledged.

        events: contiguous, at most limits.OUTPUT_BATCH_MAX, perhaps none (then only retained
        topics are brought up to state). state: all durable events folded. Waits while the peer is
        away. Cancelled at any point it may deliver an event again, under the same id.
        """

    def status(self) -> OutputStatus: ...


Opener = Callable[[Context], Output]
