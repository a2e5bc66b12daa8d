"""Requests that only read, and the MBAP frames they travel in.

Read-only by construction: a Request is one of function codes 1, 2, 3, 4 and 43 with MEI 14, or it
is not a Request. The framing is ours; the bodies of requests are encoded by pymodbus's PDU classes.
Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21; MODBUS Messaging on
TCP/IP Implementation Guide V1.0b, 3.1.3.
"""

from __future__ import annotations

import logging
import struct
from dataclasses import dataclass
from typing import Final, NamedTuple

from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from poller.model import limits
from poller.site.register_map import BIT_TABLES, Table

# it logs what a device sent, unescaped and without bound
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)

READ_CODES: Final[dict[Table, int]] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
IDENTIFY: Final = 43
MEI_IDENTIFY: Final = 14
ADDRESSES: Final = 65_536
EXCEPTION: Final = 0x80

_READS: Final[dict[Table, type[ModbusPDU]]] = {
    "coil": ReadCoilsRequest,
    "discrete": ReadDiscreteInputsRequest,
    "holding": ReadHoldingRegistersRequest,
    "input": ReadInputRegistersRequest,
}
_MBAP: Final = struct.Struct(">HHHB")
SHORTEST: Final = 6 + limits.MBAP_LENGTH_MIN  # octets of a frame
LONGEST: Final = 6 + limits.MBAP_LENGTH_MAX


@dataclass(frozen=True, slots=True)
class Request:
    """One question to a device. Made by read() and identify(); raises ValueError for any other.

    pdu: function code and body as sent. address: zero-based, as on the wire. count: registers or
    bits; for an identification 0, and table is None.
    """

    pdu: bytes
    function: int
    table: Table | None
    address: int
    count: int
    read_code: int | None
    object_id: int | None

    def __post_init__(self) -> None:
        if self.table is not None:
            pdu = _read_pdu(self.table, self.address, self.count)
            function = READ_CODES[self.table]
            fits = self.read_code is None and self.object_id is None
        else:
            function, pdu = IDENTIFY, _identify_pdu(self.read_code, self.object_id)
            fits = self.address == 0 and self.count == 0
        if not fits or self.function != function or self.pdu != pdu:
            raise ValueError(f"not a request that only reads: {self.pdu.hex(' ')}")


def read(table: Table, address: int, count: int) -> Request:
    """Reads count registers or bits (1 to 125, 1 to 2000) from the zero-based address on.

    Raises ValueError outside the bounds of the table, the count or the address space.
    """
    pdu = _read_pdu(table, address, count)
    return Request(pdu, READ_CODES[table], table, address, count, None, None)


def identify(read_code: int, object_id: int = 0) -> Request:
    """Read Device Identification. read_code: 1 basic, 2 regular, 3 extended, 4 one object.

    Raises ValueError for another read code or an object id over 255.
    """
    return Request(_identify_pdu(read_code, object_id), IDENTIFY, None, 0, 0, read_code, object_id)


def _read_pdu(table: Table, address: int, count: int) -> bytes:
    if table not in READ_CODES:
        raise ValueError(f"no table that can be read: {table!r}")
    most = limits.BITS_MAX if table in BIT_TABLES else limits.REGISTERS_MAX
    if not 1 <= count <= most:
        raise ValueError(f"{count} is not 1 to {most} of a {table} read")
    if not 0 <= address <= ADDRESSES - count:
        raise ValueError(f"{count} from {address} on are not all in 0 to {ADDRESSES - 1}")
    return bytes([READ_CODES[table]]) + _READS[table](address=address, count=count).encode()


def _identify_pdu(read_code: int | None, object_id: int | None) -> bytes:
    if read_code not in (1, 2, 3, 4):
        raise ValueError(f"read code {read_code} is not 1 to 4")
    if object_id is None or not 0 <= object_id <= 255:
        raise ValueError(f"object {object_id} is not 0 to 255")
    body = ReadDeviceInformationRequest(read_code=read_code, object_id=object_id).encode()
    return bytes([IDENTIFY]) + body


def adu(transaction: int, unit: int, pdu: bytes) -> bytes:
    """A PDU behind its MBAP header. transaction: 0 to 65535; unit: 0 to 255."""
    return _MBAP.pack(transaction, 0, len(pdu) + 1, unit) + pdu


class Frame(NamedTuple):
    transaction: int
    unit: int
    pdu: bytes  # 2 to 253 octets


class BadHeader(Exception):
    """What came is no MBAP frame, and where the next one begins can't be known: close.

    frames: the good ones that stood before it in the same data.
    """

    def __init__(self, says: str, frames: tuple[Frame, ...] = ()) -> None:
        super().__init__(says)
        self.frames = frames


def whole(data: bytes) -> tuple[int, int, bytes] | None:
    """What a Frame holds, where data is just one of them, as nearly all come; else None."""
    size = len(data)
    if SHORTEST <= size <= LONGEST:
        transaction, protocol, length, unit = _MBAP.unpack_from(data)
        if length + 6 == size and protocol == 0:
            return transaction, unit, data[7:]
    return None


class FrameReader:
    """Cuts a stream into frames. Holds less than one frame; after a BadHeader nothing but that."""

    __slots__ = ("_broken", "_buffer")

    def __init__(self) -> None:
        self._buffer = b""
        self._broken: str | None = None

    @property
    def idle(self) -> bool:
        """Holds nothing, so that another may read on in its place."""
        return not self._buffer and self._broken is None

    def feed(self, data: bytes) -> list[Frame]:
        """The frames that data completes, in order. Raises BadHeader."""
        if self._broken is not None:
            raise BadHeader(self._broken)
        data = self._buffer + data
        frames: list[Frame] = []
        begins = 0
        while len(data) - begins >= 6:
            transaction, protocol, length = struct.unpack_from(">HHH", data, begins)
            if protocol != 0:
                self._break(f"protocol {protocol}, not 0", frames)
            if not limits.MBAP_LENGTH_MIN <= length <= limits.MBAP_LENGTH_MAX:
                span = f"{limits.MBAP_LENGTH_MIN} to {limits.MBAP_LENGTH_MAX}"
                self._break(f"length {length}, not {span}", frames)
            ends = begins + 6 + length
            if len(data) < ends:
                break
            frames.append(Frame(transaction, data[begins + 6], data[begins + 7 : ends]))
            begins = ends
        self._buffer = data[begins:]
        return frames

    def _break(self, says: str, frames: list[Frame]) -> None:
        self._broken = says
        self._buffer = b""
        raise BadHeader(says, tuple(frames))
