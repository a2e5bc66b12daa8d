"""What came of a question, and whether an answer is the answer to it.

Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from pymodbus.pdu.bit_message import ReadCoilsResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse

from poller.reading.frames import EXCEPTION, Request
from poller.reading.identification import BadObjects, read_objects
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
