"""One connection of an outstation: numbers, windows and timers. Octets in, octets out; no clock.

An I frame that we sent is confirmed by the N(R) of anything that comes after it; at most k wait for
that, none longer than t1. What we received is confirmed by what we send, after w frames or t2 at
the latest. Data flow only between STARTDT and STOPDT. A fault ends the connection.
Source: IEC 60870-5-104:2006, 5.1 to 5.5, from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from math import inf

from poller.publishing.iec104 import frames as wire


class LinkFault(Exception):
    """The other end broke the protocol, or is gone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """k, w: frames. t1 to t3: seconds; 104, 9.6 has these defaults."""

    k: int = 12
    w: int = 8
    t1_s: float = 15
    t2_s: float = 10
    t3_s: float = 20


class Link:
    """now_s: any clock that only goes forward; what is to be written gathers in `out`."""

    def __init__(self, times: Times, now_s: float) -> None:
        self.out = bytearray()
        self.started = False
        self._times = times
        self._heard = bytearray()
        self._sent = 0  # V(S); these four count on for ever, modulo only on the wire
        self._confirmed = 0  # of ours, by them
        self._received = 0  # V(R)
        self._owed = 0  # of theirs, confirmed by us
        self._sent_s: list[float] = []  # when each that is not confirmed was
        self._owed_s = inf  # when the first that we owe came
        self._heard_s = now_s
        self._test_s = inf  # when we asked whether they are there
        self._stopping = False

    @property
    def confirmed(self) -> int:
        """I frames of ours that arrived, since the connection began."""
        return self._confirmed

    @property
    def room(self) -> bool:
        """One more may be sent."""
        return self.started and self._sent - self._confirmed < self._times.k

    def say(self, asdu: bytes, now_s: float) -> None:
        assert self.room
        self.out += wire.i_frame(self._sent % wire.MODULO, self._received % wire.MODULO, asdu)
        self._sent += 1
        self._sent_s.append(now_s)
        self._confirmed_theirs()

    def hold(self) -> None:
        """Another connection carries the data now: nothing more is sent on this one."""
        self.started = False

    def heard(self, octets: bytes, now_s: float) -> list[bytes]:
        """ASDUs that arrived, in order. Raises LinkFault."""
        self._heard += octets
        asdus = []
        try:
            for frame in wire.frames(self._heard):
                self._heard_s = now_s
                asdu = self._frame(frame, now_s)
                if asdu is not None:
                    asdus.append(asdu)
        except ValueError as reason:
            raise LinkFault(str(reason)) from reason
        return asdus

    def tick(self, now_s: float) -> None:
        """What is due by now. Raises LinkFault where an answer is overdue."""
        if now_s >= min((*self._sent_s[:1], self._test_s)) + self._times.t1_s:
            raise LinkFault(f"it confirmed nothing for {self._times.t1_s:g} s (t1)")
        if now_s >= self._owed_s + self._times.t2_s:
            self._confirm_theirs()
        if self._test_s == inf and now_s >= self._heard_s + self._times.t3_s:
            self.out += wire.u_frame(wire.TESTFR_ACT)
            self._test_s = now_s

    @property
    def due_s(self) -> float:
        """When to tick next."""
        t = self._times
        return min(
            min((*self._sent_s[:1], self._test_s)) + t.t1_s,
            self._owed_s + t.t2_s,
            inf if self._test_s < inf else self._heard_s + t.t3_s,
        )

    # What comes.

    def _frame(self, frame: bytes, now_s: float) -> bytes | None:
        first, second = struct.unpack_from("<HH", frame)
        if first & 1 == 0:
            return self._i_frame(first >> 1, second, frame[4:], now_s)
        if len(frame) != 4:
            raise LinkFault("a frame without data is longer than its control field")
        if first == 1:
            self._confirmed_ours(second)
        else:
            if first & 0xFF00 or second:
                raise LinkFault("a U frame with more than its function")
            self._u_frame(first)
        return None

    def _i_frame(self, number: int, second: int, asdu: bytes, now_s: float) -> bytes:
        if not self.started:
            raise LinkFault("data before STARTDT")
        if number != self._received % wire.MODULO:
            raise LinkFault(f"frame {number} where {self._received % wire.MODULO} was next")
        if len(asdu) < wire.ASDU_MIN:
            raise LinkFault(f"an ASDU of {len(asdu)} octets")
        self._confirmed_ours(second)
        self._received += 1
        self._owed_s = min(self._owed_s, now_s)
        if self._received - self._owed >= self._times.w:
            self._confirm_theirs()
        return asdu

    def _u_frame(self, function: int) -> None:
        match function:
            case wire.STARTDT_ACT:
                self.started, self._stopping = True, False
                self.out += wire.u_frame(wire.STARTDT_CON)
            case wire.STOPDT_ACT:
                self.started, self._stopping = False, True
                if self._received > self._owed:
                    self._confirm_theirs()
                self._stopped()
            case wire.TESTFR_ACT:
                self.out += wire.u_frame(wire.TESTFR_CON)
            case wire.TESTFR_CON:
                self._test_s = inf
            case _:
                raise LinkFault(f"U frame with function 0x{function:02x}")

    def _confirmed_ours(self, field: int) -> None:
        if field & 1:
            raise LinkFault("a receive number with its lowest bit set")
        count = ((field >> 1) - self._confirmed) % wire.MODULO
        if count > self._sent - self._confirmed:
            raise LinkFault(f"it confirmed {field >> 1}, which was not sent")
        self._confirmed += count
        del self._sent_s[:count]
        self._stopped()

    def _stopped(self) -> None:
        """STOPDT is confirmed once all that we had sent is."""
        if self._stopping and self._sent == self._confirmed:
            self._stopping = False
            self.out += wire.u_frame(wire.STOPDT_CON)

    def _confirm_theirs(self) -> None:
        self.out += wire.s_frame(self._received % wire.MODULO)
        self._confirmed_theirs()

    def _confirmed_theirs(self) -> None:
        self._owed, self._owed_s = self._received, inf
