"""IEC 60870-5-104 on the wire, as far as an outstation of single points needs it.

Source: IEC 60870-5-104:2006, 5 (APCI) and IEC 60870-5-101:2003, 7.2 and 7.3 (ASDU), with the sizes
that 104 fixes: cause 2 octets, common address 2, information object address 3. From memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import IntEnum
from typing import Final, TypeAlias

START: Final = 0x68
APDU_MIN, APDU_MAX = 4, 253  # of the length octet: the control field, and 249 octets of ASDU
ASDU_MIN: Final = 9  # up to and with the first information object address
MODULO: Final = 0x8000  # of sequence numbers

STARTDT_ACT, STARTDT_CON = 0x07, 0x0B
STOPDT_ACT, STOPDT_CON = 0x13, 0x23
TESTFR_ACT, TESTFR_CON = 0x43, 0x83

# qualities of a single point, beside its value in bit 0: 101, 7.2.6.1
ON, NOT_TOPICAL = 0x01, 0x40
TIME_INVALID: Final = 0x80  # of the octet with the minutes: 101, 7.2.6.18
STATION_QOI: Final = 20
POWER_ON: Final = 0  # cause of initialization: 101, 7.2.6.21
EVERY_STATION: Final = 0xFFFF

IDENTIFIER: Final = struct.Struct("<BBBBH")  # type, structure, cause, originator, common address
TIMED_MAX: Final = 22  # objects of type 30 in an ASDU: address 3, point 1, time 7
SEQUENCE_MAX: Final = 127  # elements of a sequence


class Type(IntEnum):
    SINGLE_POINT = 1  # M_SP_NA_1
    SINGLE_POINT_TIMED = 30  # M_SP_TB_1
    INITIALIZED = 70  # M_EI_NA_1
    INTERROGATION = 100  # C_IC_NA_1
    COUNTER_INTERROGATION = 101  # C_CI_NA_1
    CLOCK = 103  # C_CS_NA_1
    RESET = 105  # C_RP_NA_1


COMMANDS: Final = frozenset({*range(45, 52), *range(58, 65)})
"""Single, double and step commands, set points and bit strings, without and with a time tag."""


class Cause(IntEnum):
    SPONTANEOUS = 3
    INITIALIZED = 4
    ACTIVATION = 6
    ACTIVATION_CONFIRMED = 7
    DEACTIVATION = 8
    DEACTIVATION_CONFIRMED = 9
    TERMINATION = 10
    INTERROGATED = 20
    UNKNOWN_TYPE = 44
    UNKNOWN_CAUSE = 45
    UNKNOWN_STATION = 46
    UNKNOWN_OBJECT = 47


Single: TypeAlias = tuple[int, int]
"""(information object address, value and quality)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asdu:
    """structure: the variable structure qualifier. rest: from the first object address on."""

    type: int
    structure: int = 1
    cause: int
    negative: bool = False
    test: bool = False
    originator: int = 0
    common: int
    rest: bytes

    @classmethod
    def of(cls, octets: bytes) -> Asdu:
        """octets: at least ASDU_MIN."""
        kind, structure, cause, originator, common = IDENTIFIER.unpack_from(octets)
        return cls(
            type=kind,
            structure=structure,
            cause=cause & 0x3F,
            negative=bool(cause & 0x40),
            test=bool(cause & 0x80),
            originator=originator,
            common=common,
            rest=octets[IDENTIFIER.size :],
        )

    @property
    def octets(self) -> bytes:
        cause = self.cause | self.negative << 6 | self.test << 7
        return (
            IDENTIFIER.pack(self.type, self.structure, cause, self.originator, self.common)
            + self.rest
        )

    @property
    def address(self) -> int:
        """Of the first information object."""
        return int.from_bytes(self.rest[:3], "little")

    def mirrored(self, cause: Cause, common: int, *, negative: bool = False) -> Asdu:
        """The same again as an answer."""
        return replace(self, cause=cause, common=common, negative=negative)


def timed(common: int, objects: Sequence[Single], at: datetime, kept: bool) -> Asdu:
    """Type 30, spontaneous: at most TIMED_MAX objects, all of one time. kept: as for cp56time2a."""
    tag = cp56time2a(at, kept=kept)
    rest = b"".join(_address(where) + bytes((what,)) + tag for where, what in objects)
    return Asdu(
        type=Type.SINGLE_POINT_TIMED,
        structure=len(objects),
        cause=Cause.SPONTANEOUS,
        common=common,
        rest=rest,
    )


def interrogated(asked: Asdu, common: int, first: int, points: bytes) -> Asdu:
    """Type 1: a sequence of points, at most SEQUENCE_MAX, from address first on."""
    return replace(
        asked,
        type=Type.SINGLE_POINT,
        structure=0x80 | len(points),
        cause=Cause.INTERROGATED,
        common=common,
        rest=_address(first) + points,
    )


def initialized(common: int) -> Asdu:
    rest = _address(0) + bytes((POWER_ON,))
    return Asdu(type=Type.INITIALIZED, cause=Cause.INITIALIZED, common=common, rest=rest)


def cp56time2a(at: datetime, *, kept: bool) -> bytes:
    """UTC to the millisecond, so that there is no summer time. kept: the clock can be trusted."""
    at = at.astimezone(UTC)
    milliseconds = at.second * 1_000 + at.microsecond // 1_000
    minute = at.minute | (0 if kept else TIME_INVALID)
    day = at.day | at.isoweekday() << 5
    return struct.pack("<HBBBBB", milliseconds, minute, at.hour, day, at.month, at.year % 100)


def _address(number: int) -> bytes:
    return number.to_bytes(3, "little")


def frames(heard: bytearray) -> Iterator[bytes]:
    """Whole APDUs off the front, without start and length. Raises ValueError where none begins."""
    while len(heard) >= 2:
        start, length = heard[0], heard[1]
        if start != START or not APDU_MIN <= length <= APDU_MAX:
            raise ValueError(f"what begins with {heard[:2].hex()} is no APDU")
        if len(heard) < 2 + length:
            return
        frame = bytes(heard[2 : 2 + length])
        del heard[: 2 + length]
        yield frame


def i_frame(sent: int, received: int, asdu: bytes) -> bytes:
    return bytes((START, 4 + len(asdu))) + struct.pack("<HH", sent << 1, received << 1) + asdu


def s_frame(received: int) -> bytes:
    return bytes((START, 4)) + struct.pack("<HH", 1, received << 1)


def u_frame(function: int) -> bytes:
    return bytes((START, 4, function, 0, 0, 0))
