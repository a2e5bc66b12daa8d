"""What was read of a relay's status, and since when it says nothing new: live, and told by the
clock of now. When it is read, and what is believed of it, watch.py says.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime

from poller.judging import confirm
from poller.judging.findings import Moment
from poller.judging.routine import Routine
from poller.judging.uptime import Uptimes
from poller.model.status import Status
from poller.reading.decode import decode_status, image
from poller.reading.read_plan import CompiledMap, Pass
from poller.reading.run import PassRead


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A status reading that says something new, waiting for the next to agree."""

    status: Status
    at: Moment


@dataclass(slots=True, kw_only=True)
class StatusSeen:
    """Under one map. changed_at: when the relay says it last changed. settled_at: the last reading
    that tells as much as any, and nothing new."""

    status: Status | None = None
    at: Moment | None = None
    bad: tuple[str, ...] = ()
    changed_at: datetime | None = None
    uptimes: Uptimes = field(default_factory=Uptimes)
    sighting: Sighting | None = None
    settled_at: Moment | None = None
    _tells: int = 0  # how many values the settled reading tells
    _stills: tuple[tuple[bytes, ...] | None, ...] = ()  # the last replies without what ticks
    _raw: tuple[Pass, tuple[bytes | None, ...]] | None = None  # the last replies, not decoded yet

    def take(self, compiled: CompiledMap, read: PassRead, at: Moment) -> Status:
        """A reading; decoded where it says more than that time has passed."""
        stills = tuple(
            pdu if pdu is None else read.pass_.still(place, pdu)
            for place, pdu in enumerate(read.replies)
        )
        self.at, self._raw = at, (read.pass_, read.replies)
        if stills != self._stills or self.status is None:
            decoded = decode_status(compiled, image(read.pass_, read.replies, read.objects))
            self._stills, self.status, self.bad = stills, decoded.status, decoded.bad
            self.changed_at = decoded.changed_at
        return self.status

    def settle(self, status: Status, at: Moment) -> None:
        """A reading that tells less than another did shows nothing of what it leaves out."""
        tells = confirm.tells(status)
        if tells >= self._tells:
            self.settled_at, self._tells = at, tells

    def routine(self, pass_: Pass) -> Routine | None:
        """How the next reading is known to say nothing new, if this one did not. pass_: of one
        request."""
        if self.settled_at is not self.at:
            return None
        [still] = self._stills
        assert still is not None, "nothing is settled by a block that was refused"
        known = self.uptimes.known
        start = None if known is None else replace(known)
        return Routine(request=pass_.requests[0], pass_=pass_, still=still, start=start)

    def take_in(self, routine: Routine, pdu: bytes, at: Moment) -> None:
        """What the newest reply told by routine."""
        self.at = self.settled_at = at
        start = routine.start
        self.uptimes.last = self.uptimes.known = None if start is None else replace(start)
        self._raw = (routine.pass_, (pdu,))

    def shown(self, compiled: CompiledMap | None) -> Status | None:
        """With what ticks, which no comparison sees: it is read when somebody looks."""
        if self.status is None:
            return None
        relay_time = self.status.relay_time
        if relay_time is not None and self._raw is not None and compiled is not None:
            relay_time = decode_status(compiled, image(*self._raw)).status.relay_time
            self.status = replace(self.status, relay_time=relay_time)
            self._raw = None
        last = self.uptimes.last
        return replace(self.status, uptime_s=None if last is None else last.uptime_s)

    def other_map(self) -> None:
        """Nothing read under the one before says anything about the next."""
        self.status, self.at, self.uptimes, self.sighting = None, None, Uptimes(), None
        self._stills, self._raw, self._tells = (), None, 0

    def forget(self) -> None:
        """What was found since events last told of it was not recorded."""
        self.sighting = self.settled_at = None
        self._stills = ()

    def tell_anew(self, now: Moment) -> None:
        """The clock was set."""
        self.at, self.settled_at = _earlier(now, self.at), _earlier(now, self.settled_at)
        if self.sighting is not None:
            self.sighting = replace(self.sighting, at=now.earlier(self.sighting.at.mono))


def _earlier(now: Moment, before: Moment | None) -> Moment | None:
    return None if before is None else now.earlier(before.mono)
