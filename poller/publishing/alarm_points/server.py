"""pymodbus's Modbus TCP server, held to two reads; whatever else is asked is refused.

Its listener, its connections and its framer serve us. Its handling of requests does not: it answers
one of several that come together, waits for ever behind a wrong protocol id, refuses under another
function code than was asked, carries out diagnostics, takes half a millisecond to pack 2,000 inputs
and writes without end to a client that reads nothing.
Source of answers: MODBUS Application Protocol Specification V1.1b3, 6.2, 6.4 and 7; of connections:
MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.2 and 4.4.1.2.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import socket
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from typing import Any, Final, TypeAlias, cast

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import SimData, SimDevice

from poller.model import limits

# it logs what a client sent, unescaped and without bound
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)

Network: TypeAlias = IPv4Network | IPv6Network

READ_INPUTS, READ_INPUT_REGISTERS = 2, 4
EXCEPTION: Final = 0x80
DIRECT: Final = (0, 255)  # guide 4.4.1.2: a server that is no gateway, whatever its unit id
MBAP: Final = struct.Struct(">HHHB")
LENGTH_MIN: Final = 2  # unit and function code
BEFORE_UNIT: Final = 6
REQUEST_BYTES: Final = 5  # of both reads: function code, address, quantity


@dataclass(frozen=True, slots=True)
class Image:
    """What is served, both tables from address 0 on. inputs: bit n is that of address n."""

    inputs: int = 0
    inputs_count: int = 0
    registers: Sequence[int] = ()


def answer(image: Image, pdu: bytes) -> bytes:
    """The response to a request of at least one octet.

    The order in which faults are looked for is that of the specification's state diagrams.
    """
    code = pdu[0]
    if code not in (READ_INPUTS, READ_INPUT_REGISTERS):
        return _refused(code, ExcCodes.ILLEGAL_FUNCTION)
    bits = code == READ_INPUTS
    if len(pdu) != REQUEST_BYTES:
        return _refused(code, ExcCodes.ILLEGAL_VALUE)
    address, count = struct.unpack_from(">HH", pdu, 1)
    if not 1 <= count <= (limits.BITS_MAX if bits else limits.REGISTERS_MAX):
        return _refused(code, ExcCodes.ILLEGAL_VALUE)
    if address + count > (image.inputs_count if bits else len(image.registers)):
        return _refused(code, ExcCodes.ILLEGAL_ADDRESS)
    values: bytes
    if bits:
        # the lowest bit of the first octet is the first input: an integer, its low octet first
        asked = (image.inputs >> address) & ((1 << count) - 1)
        values = asked.to_bytes((count + 7) // 8, "little")
    else:
        values = struct.pack(f">{count}H", *image.registers[address : address + count])
    return bytes((code, len(values))) + values


def _refused(code: int, why: ExcCodes) -> bytes:
    return bytes((code | EXCEPTION, why))


class PointsServer(ModbusTcpServer):
    """Serves what image gives at each request. networks: of clients; none: any. refused: who was
    turned away last, for that.

    Past clients_max the client goes that has asked nothing for longest, first of all one that never
    did: guide 4.2.1.1. Made inside a running loop, for one time of listening.
    """

    def __init__(
        self,
        *,
        host: str,
        port: int,
        unit: int,
        clients_max: int,
        networks: Sequence[Network],
        image: Callable[[], Image],
    ) -> None:
        nothing = SimDevice(id=0, simdata=[SimData(0)])  # theirs, which nobody gets to ask
        super().__init__(nothing, address=(host, port))
        self.image = image
        self.unit = unit
        self.turns = itertools.count(1)
        self._place, self._clients_max, self._networks = (host, port), clients_max, networks
        self.refused: str | None = None
        self._ended = False

    async def open(self) -> None:
        """Listens. Raises OSError with the reason, which theirs keeps to itself."""
        self.is_listener = True
        # theirs serves before it gives what could be closed: cancelled in between, the port is gone
        server = await self.loop.create_server(
            self.handle_new_connection, *self._place, start_serving=False
        )
        self.transport = cast(asyncio.BaseTransport, server)
        await server.start_serving()

    @property
    def is_open(self) -> bool:
        return self.transport is not None and cast(asyncio.Server, self.transport).is_serving()

    def callback_new_connection(self) -> Client:
        return Client(self)

    @property
    def clients(self) -> list[Client]:
        return [one for one in self.active_connections.values() if isinstance(one, Client)]

    def admit(self, client: Client) -> None:
        """Where it may not be, comes as the server ends, or is one too many, a connection ends."""
        may = self._may(client)
        if not may:
            self.refused = str(client.address or "somebody who is gone again")
        if self._ended or not may:
            client.drop()
            return
        others = [one for one in self.clients if one is not client]
        if len(others) >= self._clients_max:
            min(others, key=lambda one: one.turn).drop()

    def end_idle(self, idle_s: float) -> None:
        """Ends connections that asked nothing for so long, or took none of the answers."""
        before = self.loop.time() - idle_s
        for client in self.clients:
            if client.asked_s < before:
                client.drop()

    def end(self) -> None:
        self._ended = True
        for client in self.clients:
            client.drop()
        self.close()

    def _may(self, client: Client) -> bool:
        address = client.address
        if not self._networks:
            return True
        return address is not None and any(address in one for one in self._networks)


class Client(ServerRequestHandler):
    """One connection: requests are answered in turn, however they come."""

    def __init__(self, server: PointsServer) -> None:
        super().__init__(server, None, None, None)  # type: ignore[no-untyped-call]
        self.asked_s: float = self.loop.time()
        self.turn = 0  # of its last request; 0: it never asked
        self._heard = bytearray()
        self._held = False  # it takes no answers just now
        self._busy = False  # requests of it wait for their turn

    @property
    def address(self) -> IPv4Address | IPv6Address | None:
        """None where it is gone again already."""
        peer = self.transport.get_extra_info("peername")
        if not peer:
            return None
        found = ip_address(peer[0])
        return getattr(found, "ipv4_mapped", None) or found

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)
        sock: Any = transport.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)  # guide 4.3.2
        self.server.admit(self)

    def drop(self) -> None:
        """At once: a goodbye would wait for a client that may take nothing any more."""
        if self.transport is not None:
            cast(asyncio.Transport, self.transport).abort()
            self.close()

    def data_received(self, data: bytes) -> None:
        self._heard += data
        self._answer_in_turn()

    def pause_writing(self) -> None:
        """It takes no answers, so that it is asked for no requests either."""
        self._held = True
        self._read_on()

    def resume_writing(self) -> None:
        self._held = False
        self._answer_in_turn()

    def _answer_in_turn(self) -> None:
        """A few at once, then others have their turn: who asks without rest holds up nobody."""
        self._busy = False
        for _ in range(limits.POINT_REQUESTS_AT_ONCE):
            if self._held or not self._answer_next():
                break
        else:
            self._busy = True
            self.loop.call_soon(self._answer_in_turn)
        self._read_on()

    def _answer_next(self) -> bool:
        """Whether there was a whole request."""
        if self.transport is None or len(self._heard) < MBAP.size:
            return False
        transaction, protocol, length, unit = MBAP.unpack_from(self._heard)
        if protocol != 0 or not LENGTH_MIN <= length <= limits.MBAP_LENGTH_MAX:
            self.drop()  # where the next frame begins is not known any more
            return False
        if len(self._heard) < BEFORE_UNIT + length:
            return False
        pdu = bytes(self._heard[MBAP.size : BEFORE_UNIT + length])
        del self._heard[: BEFORE_UNIT + length]
        self.asked_s, self.turn = self.loop.time(), next(self.server.turns)
        if unit in (self.server.unit, *DIRECT):
            response = answer(self.server.image(), pdu)
        else:  # guide 4.4.1.2: nobody stands behind us
            response = _refused(pdu[0], ExcCodes.GATEWAY_NO_RESPONSE)
        self.send(self.framer.encode(response, unit, transaction))
        return True

    def _read_on(self) -> None:
        """Reads only while nothing waits, so that what was heard is bounded by one reading."""
        if self.transport is None:
            return
        transport = cast(asyncio.Transport, self.transport)
        if self._held or self._busy:
            transport.pause_reading()
        else:
            transport.resume_reading()
