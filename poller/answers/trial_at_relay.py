"""A trial at one relay, judged: what went over the wire, and whether the relay keeps up with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from statistics import median, quantiles
from typing import Final

from poller.answers.load import Traffic
from poller.answers.words import count
from poller.reading.exchange import Refused
from poller.reading.frames import IDENTIFY
from poller.reading.run import ILLEGAL_ADDRESS, LATER, describe
from poller.site.settings import Pace

SLOW_SHARE: Final = 0.5  # of the time-out; common practice, no published source
FEW: Final = 100  # answers; of fewer the 99th percentile is hardly more than the longest
ABSENT: Final = (IDENTIFY, ILLEGAL_ADDRESS)  # an object that it does not have: an answer like any


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """took_s: how long it went on. traffic: as counted on the wire; connections that stood.

    times_s: from each question to the whole answer to it. exceptions: how many, by function code
    and exception code. unanswered: questions; garbled: answers to nothing that was asked.
    refused: connections that were not to be had; lost: those that it ended while it was asked.
    visits: as the service makes them; missed: in which nothing answered. notes: of what was read.
    """

    took_s: float
    traffic: Traffic
    times_s: tuple[float, ...]
    exceptions: Mapping[tuple[int, int], int]
    unanswered: int
    garbled: int
    refused: int
    lost: int
    visits: int
    missed: int
    notes: tuple[str, ...]

    @property
    def median_s(self) -> float | None:
        return median(self.times_s) if self.times_s else None

    @property
    def p99_s(self) -> float | None:
        """The 99th percentile; of few answers it is near the longest."""
        if len(self.times_s) < 2:
            return self.median_s
        return quantiles(self.times_s, n=100, method="inclusive")[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """keeps_up: nothing stands against it. against: sentences, each with what to do."""

    says: str
    against: tuple[str, ...]

    @property
    def keeps_up(self) -> bool:
        return not self.against


def judge(found: Measured, pace: Pace) -> Verdict:
    """Whether the relay keeps up with being asked at this pace."""
    against = tuple(_against(found, pace))
    if not (found.traffic.requests or found.refused):
        none = "the trial ended before anything could be asked: let it go on for longer"
        return Verdict(says="Nothing is known yet.", against=(none,))
    if not found.times_s:
        none = "nothing came back: see to its address, its unit id and its Modbus settings"
        return Verdict(says="It does not answer.", against=(*against, none))
    if against:
        return Verdict(says="It does not keep up, or not with this map.", against=against)
    answers = count(len(found.times_s), "answer", "answers")
    few = "" if len(found.times_s) >= FEW else " So few tell little: let it go on for longer."
    return Verdict(says=f"It keeps up: {answers}, all of them in good time.{few}", against=())


def _against(found: Measured, pace: Pace) -> Iterator[str]:
    timeout_s, p99_s = pace.reply_timeout_s, found.p99_s
    if found.refused:
        times = count(found.refused, "connection was", "connections were")
        yield f"{times} not to be had: are all of its client slots taken?"
    if found.lost:
        times = count(found.lost, "connection", "connections")
        yield f"it ended {times} while it was asked: does another client push ours out?"
    if found.unanswered:
        times = count(found.unanswered, "question", "questions")
        yield (
            f"{times} had no answer within {timeout_s:g} s: ask less often (status_s), rest longer "
            "in between (rest_ms), read less at once (largest_read in the map)"
        )
    elif p99_s is not None and p99_s > SLOW_SHARE * timeout_s:
        yield (
            f"some answers take over {p99_s:.2f} s, near the {timeout_s:g} s after which they "
            "count as none: raise reply_timeout_s, or read less at once (largest_read in the map)"
        )
    if found.garbled:
        times = count(found.garbled, "answer", "answers")
        yield f"{times} made no sense: is it Modbus/TCP that is spoken there?"
    for (function, code), number in sorted(found.exceptions.items()):
        if (function, code) != ABSENT:
            times = count(number, "answer was", "answers were")
            mend = "rest longer in between (rest_ms)" if code in LATER else "see: bayroll try-map"
            yield f"{times} {describe(Refused(code=code))}, to function code {function}: {mend}"
    yield from found.notes
