"""Read Device Identification as a device answers it, with an identity of its own.

Source: MODBUS Application Protocol Specification V1.1b3, 6.21, pages 43 to 45.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse

from poller.model import limits

IDENTIFY: Final = 43
MEI_IDENTIFY: Final = 14
ONE_OBJECT: Final = 4
LAST_OF: Final = {1: 0x02, 2: 0x7F, 3: 0xFF}  # basic, regular, extended: the stream ends there
HEAD_OCTETS: Final = 7  # function code, MEI, read code, conformity, more follows, next, count
OBJECT_HEAD_OCTETS: Final = 2
OBJECT_OCTETS_MAX: Final = limits.PDU_BYTES_MAX - HEAD_OCTETS - OBJECT_HEAD_OCTETS
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """objects: by object id, 0 to 2 always there. reply_octets_max: some devices fill no PDU."""

    objects: Mapping[int, bytes]
    reply_octets_max: int = limits.PDU_BYTES_MAX

    @property
    def conformity(self) -> int:
        """The level of the highest object, stream and single access both."""
        highest = max(self.objects)
        return 0x83 if highest >= 0x80 else 0x82 if highest >= 3 else 0x81

    def answer(self, pdu: bytes) -> bytes | int:
        """The PDU of the answer, or the code of the exception."""
        if len(pdu) != 4:
            return ILLEGAL_VALUE
        request = ReadDeviceInformationRequest()
        request.decode(pdu[1:])
        if request.read_code == ONE_OBJECT:
            if request.object_id not in self.objects:
                return ILLEGAL_ADDRESS
            return self._reply(ONE_OBJECT, [request.object_id], following=None)
        if request.read_code not in LAST_OF:
            return ILLEGAL_VALUE
        return self._stream(request.read_code, request.object_id)

    def _stream(self, read_code: int, first: int) -> bytes:
        known = sorted(number for number in self.objects if number <= LAST_OF[read_code])
        # page 44: an object that is not there starts the stream over
        left = [number for number in known if number >= first] if first in known else known
        room = self.reply_octets_max - HEAD_OCTETS
        fits: list[int] = []
        for number in left:
            room -= OBJECT_HEAD_OCTETS + len(self.objects[number])
            if room < 0 and fits:  # one object goes out whole, whatever its length
                return self._reply(read_code, fits, following=number)
            fits.append(number)
        return self._reply(read_code, fits, following=None)

    def _reply(self, read_code: int, numbers: list[int], following: int | None) -> bytes:
        response = ReadDeviceInformationResponse(
            read_code=read_code, information={number: self.objects[number] for number in numbers}
        )
        response.conformity = self.conformity
        body = bytearray(response.encode())
        # its own more-follows starts only where a PDU is full; a device may stop earlier
        body[3], body[4] = (0x00, 0x00) if following is None else (0xFF, following)
        return bytes([IDENTIFY]) + bytes(body)
