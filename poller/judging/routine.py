"""The visit that nearly all are: one request, whose reply says what the last one said.

Compared as octets, and nothing decoded; what a watch knows by it, it takes in when anybody looks.
"""

from __future__ import annotations

from dataclasses import dataclass

from poller.judging.uptime import Start
from poller.reading.frames import Request
from poller.reading.read_plan import Pass


@dataclass(slots=True)
class Routine:
    """still: the reply without what ticks. start: of the relay, by the last reading, a copy of its
    own; None: it tells none. pdu: the newest reply; None: there was none since anybody looked.
    answered: when it came, monotonic seconds."""

    request: Request
    pass_: Pass
    still: tuple[bytes, ...]
    start: Start | None
    pdu: bytes | None = None
    answered: float = 0.0

    def repeats(self, pdu: bytes, started: float, answered: float) -> bool:
        """Whether it tells nothing but that time has passed. started, answered: monotonic
        seconds."""
        pass_ = self.pass_
        if pass_.still(0, pdu) != self.still:
            return False
        uptime = pass_.uptime_place
        uptime_s = None if uptime is None else uptime.read(pdu)
        if uptime is not None and uptime_s is not None:
            start = self.start
            if start is None or not start.again(uptime_s, started, answered, uptime.scale):
                return False
        self.pdu, self.answered = pdu, answered
        return True
