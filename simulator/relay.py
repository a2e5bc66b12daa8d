"""One simulated relay: values in, registers out. Frame in, reply out; no clock and no socket.

A request outside the readable ranges of the map gets exception 02, a quantity outside the limits
03, a function that is not for reading 01.
Source: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4, 6.21 and 7.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from random import Random
from struct import error as struct_error
from typing import Final

from pymodbus.pdu import ExceptionResponse, ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadCoilsResponse,
    ReadDiscreteInputsRequest,
    ReadDiscreteInputsResponse,
)
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
    ReadInputRegistersRequest,
    ReadInputRegistersResponse,
)

from poller.model.nameplate import Nameplate
from poller.site.register_map import RegisterMap, Table
from simulator.encoding import Padding
from simulator.identification import IDENTIFY, ILLEGAL_FUNCTION, MEI_IDENTIFY, Identity
from simulator.image import Condition, Fact, Image, draw, facts, tick

READS: Final[dict[int, tuple[Table, type[ModbusPDU], type[ModbusPDU]]]] = {
    1: ("coil", ReadCoilsRequest, ReadCoilsResponse),
    2: ("discrete", ReadDiscreteInputsRequest, ReadDiscreteInputsResponse),
    3: ("holding", ReadHoldingRegistersRequest, ReadHoldingRegistersResponse),
    4: ("input", ReadInputRegistersRequest, ReadInputRegistersResponse),
}
READ_PDU_OCTETS: Final = 5
ILLEGAL_ADDRESS, ILLEGAL_VALUE = 2, 3
ANSWERS_KEPT: Final = 256  # a poller asks the same few questions again and again
EPOCH: Final = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(slots=True, kw_only=True)
class Relay:
    """The box at a position. layout: the map it presents, one of those its family has.

    objects: identification objects beside those that the map names.
    """

    layout: RegisterMap
    nameplate: Nameplate
    condition: Condition = field(default_factory=Condition)
    padding: Padding = "nul"
    objects: Mapping[int, str] = field(default_factory=dict)
    reply_octets_max: int = 253
    started: datetime = EPOCH
    now: datetime = EPOCH
    nonsense: Random | None = None  # set while the boot program runs
    function_codes: set[str] = field(default_factory=set)  # "3", "43/14": every one received
    _image: Image | None = None
    _answers: dict[bytes, bytes] = field(default_factory=dict)

    def reply(self, pdu: bytes) -> bytes:
        """The PDU that answers a PDU of 1 to 253 octets; never raises for what a client sends."""
        self.function_codes.add(function_code(pdu))
        known = self._answers.get(pdu)
        if known is not None:
            return known
        answer = self._answer(pdu)
        if isinstance(answer, int):
            answer = exception(pdu[0], answer)
        if len(self._answers) < ANSWERS_KEPT:
            self._answers[pdu] = answer
        return answer

    def advance(self, now: datetime) -> None:
        """Lets time pass: its clock and uptime go on by whole seconds."""
        now = now.replace(microsecond=0)
        if now == self.now:
            return
        self.now = now
        if self.nonsense is not None:
            self._changed()
        elif self.image.ticking:
            tick(self.image, self.layout, self._uptime_s(), now)
            self._answers = {}

    def present(
        self,
        *,
        layout: RegisterMap | None = None,
        nameplate: Nameplate | None = None,
        condition: Condition | None = None,
    ) -> None:
        """Takes on other values, all at once. Raises DoesNotFit, and is as before then."""
        trial = replace(
            self,
            layout=layout or self.layout,
            nameplate=nameplate or self.nameplate,
            condition=condition or self.condition,
            nonsense=None,
        )
        trial._changed()
        _ = trial.image
        self.layout, self.nameplate = trial.layout, trial.nameplate
        self.condition = trial.condition
        self._changed()

    def restart(self, nonsense: Random | None) -> None:
        """Uptime begins again. nonsense: the boot program speaks until the next restart."""
        self.started = self.now
        self.nonsense = nonsense
        self._changed()

    def facts(self) -> dict[str, Fact]:
        """What a reader of this map can know, by name: swRev, components.boot.swRev,
        flag:storage_low, health, behaviour. Attributes the map has no field for are not there."""
        return facts(self.layout, self.nameplate, self.condition)

    @property
    def image(self) -> Image:
        """Registers, bits and objects as they are now. Raises DoesNotFit."""
        if self._image is None:
            self._image = draw(
                self.layout,
                self.nameplate,
                self.condition,
                padding=self.padding,
                uptime_s=self._uptime_s(),
                now=self.now,
                objects=self.objects,
                nonsense=self.nonsense,
            )
        return self._image

    def _uptime_s(self) -> int:
        return max(0, int((self.now - self.started).total_seconds()))

    def _changed(self) -> None:
        self._image = None
        self._answers = {}

    def _answer(self, pdu: bytes) -> bytes | int:
        if pdu[0] in READS:
            return self._read(pdu)
        if pdu[0] == IDENTIFY and pdu[1:2] == bytes([MEI_IDENTIFY]) and self.image.objects:
            objects = self.image.objects
            return Identity(objects=objects, reply_octets_max=self.reply_octets_max).answer(pdu)
        return ILLEGAL_FUNCTION

    def _read(self, pdu: bytes) -> bytes | int:
        table, ask, tell = READS[pdu[0]]
        if len(pdu) != READ_PDU_OCTETS:
            return ILLEGAL_VALUE
        request = ask()
        try:
            request.decode(pdu[1:])  # refuses a quantity outside the limits
        except (ValueError, struct_error):
            return ILLEGAL_VALUE
        values = list(self._values(table, request.address, request.count))
        if len(values) < request.count:
            return ILLEGAL_ADDRESS
        if table in ("coil", "discrete"):
            response = tell(bits=[bool(value) for value in values])
        else:
            response = tell(registers=values)
        return pdu[:1] + response.encode()

    def _values(self, table: Table, first: int, count: int) -> Iterator[int]:
        """Ends early at the first address that may not be read."""
        image = self.image
        values = image.tables[table]
        readable = image.spans.get(table, ())
        for address in range(first, first + count):
            if address not in readable:
                return
            yield values.get(address, 0)


def exception(function: int, code: int) -> bytes:
    """The PDU of an exception. function: as asked; code: 1 to 255."""
    response = ExceptionResponse(function & 0x7F, code)
    return bytes([response.function_code]) + response.encode()


def function_code(pdu: bytes) -> str:
    """How a request is recorded: its function code, for 43 with its MEI type."""
    if pdu[0] == IDENTIFY and len(pdu) > 1:
        return f"{pdu[0]}/{pdu[1]}"
    return str(pdu[0])
