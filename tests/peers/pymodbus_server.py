"""pymodbus's own server, a peer that is not ours.

Its FC 43 identity is global to the process: it is set on entry and emptied at the end.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from typing import Any

from pymodbus.pdu.device import ModbusControlBlock, ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.peers.function_codes import record_pdu

MBAP_BYTES = 7


@asynccontextmanager
async def pymodbus_server(
    *,
    coils: Sequence[bool],
    discrete: Sequence[bool],
    holding: Sequence[int],
    inputs: Sequence[int],
    identity: Mapping[int, str],
) -> AsyncIterator[int]:
    """Serves four tables from address 0 on; yields the port. Bits: a multiple of 16."""
    device = SimDevice(
        id=0,  # any unit
        simdata=(
            [SimData(0, values=list(coils), datatype=DataType.BITS)],
            [SimData(0, values=list(discrete), datatype=DataType.BITS)],
            [SimData(0, values=list(holding), datatype=DataType.REGISTERS)],
            [SimData(0, values=list(inputs), datatype=DataType.REGISTERS)],
        ),
    )
    server = ModbusTcpServer(
        device,
        address=("127.0.0.1", 0),
        identity=ModbusDeviceIdentification(info=dict(identity)),
        trace_packet=_traced,
    )
    await server.serve_forever(background=True)
    listening: Any = server.transport
    try:
        yield listening.sockets[0].getsockname()[1]
    finally:
        await server.shutdown()
        ModbusControlBlock().Identity.update(dict.fromkeys(range(256), ""))


def _traced(sending: bool, data: bytes) -> bytes:
    if not sending:
        record_pdu(data[MBAP_BYTES:])
    return data
