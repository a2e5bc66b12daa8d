"""What came of a question, and whether an answer is the answer to it.

Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from pymodbus.pdu.bit_message import ReadCoilsResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse

from poller.model import limits
from poller.reading.frames import EXCEPTION, Request, identify
from poller.reading.objects import ONE_OBJECT, BadObjects, read_objects
from poller.site.register_map import BIT_TABLES


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """The answer to what was asked: function code and length are as they must be."""

    pdu: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class NoReply:
    """Nothing came, or there is no connection."""

    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """The device answered with an exception code."""

    code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Garbled:
    """Something came that is no answer to the question."""

    reason: str


Kind: TypeAlias = Literal["basic", "regular", "extended", "individual"]
KIND_CODES: Final[dict[Kind, int]] = {"basic": 1, "regular": 2, "extended": 3, "individual": 4}
NO_SUCH_OBJECT: Final = 2  # the exception code

Outcome: TypeAlias = Reply | NoReply | Refused | Garbled


def match(request: Request, pdu: bytes) -> Reply | Refused | Garbled:
    """Takes a PDU for the answer only if function code, lengths and counts are as asked."""
    if len(pdu) < 2:
        return Garbled(reason=f"{len(pdu)} octets, too few for an answer")
    if pdu[0] == request.function | EXCEPTION:
        if len(pdu) == 2:
            return Refused(code=pdu[1])
        return Garbled(reason=f"an exception of {len(pdu)} octets, not 2")
    if pdu[0] != request.function:
        return Garbled(reason=f"function code {pdu[0]} in answer to {request.function}")
    if request.table is not None:
        octets = reply_octets(request)
        if pdu[1] == octets and len(pdu) == 2 + octets:
            return Reply(pdu=pdu)
        return Garbled(reason=f"{pdu[1]} octets said, {len(pdu) - 2} there, {octets} asked for")
    try:
        read_objects(request, pdu)
    except BadObjects as bad:
        return Garbled(reason=str(bad))
    return Reply(pdu=pdu)


def reply_octets(request: Request) -> int:
    """How many octets of values the answer to a read must carry."""
    return (request.count + 7) // 8 if request.table in BIT_TABLES else 2 * request.count


def registers(pdu: bytes) -> tuple[int, ...]:
    """The register values of a matched answer to function code 3 or 4."""
    response = ReadHoldingRegistersResponse()
    response.decode(pdu[1:])
    return tuple(response.registers)


def bits(pdu: bytes, count: int) -> tuple[bool, ...]:
    """The first count bits of a matched answer to function code 1 or 2; the rest is padding."""
    response = ReadCoilsResponse()
    response.decode(pdu[1:])
    return tuple(response.bits[:count])


class Identification:
    """Reads the objects of a device by FC 43/14, one request after another.

    kind: individual asks for each wanted object by itself; the others are streams that go on while
    more follows and a wanted object is missing. The device must bring something new every time.
    """

    def __init__(self, kind: Kind, wanted: frozenset[int]) -> None:
        self.objects: dict[int, bytes] = {}
        self._code = KIND_CODES[kind]
        self._wanted = wanted
        self._turns = 0
        self._waiting = sorted(wanted) if self._code == ONE_OBJECT else [0] if wanted else []

    @property
    def request(self) -> Request | None:
        """What to ask next; None when finished, well or not."""
        return identify(self._code, self._waiting[0]) if self._waiting else None

    def feed(self, outcome: Outcome) -> NoReply | Refused | Garbled | None:
        """Takes the outcome of `request`. What is returned ends the identification: its trouble.

        An object that an individual request does not find (02) is absent, which is no trouble.
        """
        request = self.request
        assert request is not None, "fed without having asked"
        if outcome == Refused(code=NO_SUCH_OBJECT) and self._code == ONE_OBJECT:
            del self._waiting[0]
            return None
        if not isinstance(outcome, Reply):
            self._waiting.clear()
            return outcome
        garbled = self._take(request, outcome.pdu)
        if garbled is not None:
            self._waiting.clear()
        return garbled

    def _take(self, request: Request, pdu: bytes) -> Garbled | None:
        try:
            found = read_objects(request, pdu)
        except BadObjects as bad:
            return Garbled(reason=str(bad))
        again = found.objects.keys() & self.objects.keys()
        if again:
            return Garbled(reason=f"objects told again: {sorted(again)}")
        self.objects |= found.objects
        del self._waiting[0]
        if found.next_object is None or self._wanted <= self.objects.keys():
            return None
        self._turns += 1
        if not found.objects:
            return Garbled(reason="more follows, and nothing came")
        if self._turns >= limits.IDENTIFICATION_TURNS_MAX:
            return Garbled(reason=f"still more to follow after {self._turns} answers")
        self._waiting.append(found.next_object)
        return None
