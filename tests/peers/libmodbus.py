"""C libmodbus (Debian's libmodbus5, 3.1) through ctypes: a client and a server that are not ours.

Its calls block: from a test with an event loop use asyncio.to_thread, or the server's own thread.
"""

from __future__ import annotations

import ctypes
import select
import socket
import threading
from collections.abc import Sequence
from ctypes import POINTER, byref, c_char_p, c_int, c_uint8, c_uint16, c_uint32, c_void_p
from types import TracebackType

import pytest

from tests.peers.function_codes import record_pdu

ENOBASE = 112_345_678  # libmodbus's own errors: this and the exception code
ADU_BYTES_MAX = 260
MBAP_BYTES = 7

try:
    LIB: ctypes.CDLL | None = ctypes.CDLL("libmodbus.so.5", use_errno=True)
except OSError:
    LIB = None

needs_libmodbus = pytest.mark.skipif(
    LIB is None, reason="libmodbus.so.5 is not there (Debian package libmodbus5)"
)


class _Mapping(ctypes.Structure):
    """modbus_mapping_t of libmodbus 3.1."""

    _fields_ = (
        ("nb_bits", c_int),
        ("start_bits", c_int),
        ("nb_input_bits", c_int),
        ("start_input_bits", c_int),
        ("nb_input_registers", c_int),
        ("start_input_registers", c_int),
        ("nb_registers", c_int),
        ("start_registers", c_int),
        ("tab_bits", POINTER(c_uint8)),
        ("tab_input_bits", POINTER(c_uint8)),
        ("tab_input_registers", POINTER(c_uint16)),
        ("tab_registers", POINTER(c_uint16)),
    )


if LIB is not None:
    LIB.modbus_new_tcp.argtypes = [c_char_p, c_int]
    LIB.modbus_new_tcp.restype = c_void_p
    LIB.modbus_strerror.argtypes = [c_int]
    LIB.modbus_strerror.restype = c_char_p
    LIB.modbus_mapping_new.argtypes = [c_int] * 4
    LIB.modbus_mapping_new.restype = POINTER(_Mapping)
    LIB.modbus_mapping_free.argtypes = [POINTER(_Mapping)]
    LIB.modbus_set_response_timeout.argtypes = [c_void_p, c_uint32, c_uint32]
    LIB.modbus_reply.argtypes = [c_void_p, c_void_p, c_int, POINTER(_Mapping)]
    LIB.modbus_receive.argtypes = [c_void_p, c_void_p]
    for _name in ("connect", "close", "free"):
        getattr(LIB, f"modbus_{_name}").argtypes = [c_void_p]
    for _name in ("set_slave", "set_socket", "tcp_listen"):
        getattr(LIB, f"modbus_{_name}").argtypes = [c_void_p, c_int]
    for _name in ("read_bits", "read_input_bits", "read_registers", "read_input_registers"):
        getattr(LIB, f"modbus_{_name}").argtypes = [c_void_p, c_int, c_int, c_void_p]
    for _name in ("write_bit", "write_register"):
        getattr(LIB, f"modbus_{_name}").argtypes = [c_void_p, c_int, c_int]
    for _name in ("write_bits", "write_registers"):
        getattr(LIB, f"modbus_{_name}").argtypes = [c_void_p, c_int, c_int, c_void_p]
    LIB.modbus_mask_write_register.argtypes = [c_void_p, c_int, c_uint16, c_uint16]
    LIB.modbus_write_and_read_registers.argtypes = [
        *(c_void_p, c_int, c_int, c_void_p),
        *(c_int, c_int, c_void_p),
    ]


class LibmodbusError(OSError):
    """exception: the Modbus exception code, None for another fault."""

    @property
    def exception(self) -> int | None:
        code = (self.errno or 0) - ENOBASE
        return code if 1 <= code <= 11 else None


def _lib() -> ctypes.CDLL:
    assert LIB is not None, "guard the test with needs_libmodbus"
    return LIB


def _checked(result: int) -> int:
    if result < 0:
        number = ctypes.get_errno()
        raise LibmodbusError(number, _lib().modbus_strerror(number).decode())
    return result


class Client:
    """A connected client; a context manager. Raises LibmodbusError."""

    def __init__(self, host: str, port: int, unit: int = 255, timeout_s: float = 5.0) -> None:
        self._ctx = _lib().modbus_new_tcp(host.encode(), port)
        _checked(_lib().modbus_set_slave(self._ctx, unit))
        whole, part = int(timeout_s), int(timeout_s % 1 * 1_000_000)
        _checked(_lib().modbus_set_response_timeout(self._ctx, whole, part))

    def __enter__(self) -> Client:
        _checked(_lib().modbus_connect(self._ctx))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        _lib().modbus_close(self._ctx)
        _lib().modbus_free(self._ctx)

    def registers(self, address: int, count: int) -> list[int]:
        """FC 03."""
        return self._words("modbus_read_registers", address, count)

    def input_registers(self, address: int, count: int) -> list[int]:
        """FC 04."""
        return self._words("modbus_read_input_registers", address, count)

    def bits(self, address: int, count: int) -> list[bool]:
        """FC 01."""
        return self._bits("modbus_read_bits", address, count)

    def input_bits(self, address: int, count: int) -> list[bool]:
        """FC 02."""
        return self._bits("modbus_read_input_bits", address, count)

    def write(self, code: int, address: int) -> None:
        """One of the six writes, for servers of ours that refuse them; never for a relay."""
        words, bits = (c_uint16 * 2)(1, 1), (c_uint8 * 2)(1, 1)
        ctx, lib = self._ctx, _lib()
        match code:
            case 5:
                done = lib.modbus_write_bit(ctx, address, 1)
            case 6:
                done = lib.modbus_write_register(ctx, address, 1)
            case 15:
                done = lib.modbus_write_bits(ctx, address, 2, byref(bits))
            case 16:
                done = lib.modbus_write_registers(ctx, address, 2, byref(words))
            case 22:
                done = lib.modbus_mask_write_register(ctx, address, 0xFF, 1)
            case 23:
                done = lib.modbus_write_and_read_registers(
                    ctx, address, 2, byref(words), address, 2, byref(words)
                )
            case _:
                raise ValueError(f"{code} is no write")
        _checked(done)

    def _words(self, call: str, address: int, count: int) -> list[int]:
        into = (c_uint16 * count)()
        _checked(getattr(_lib(), call)(self._ctx, address, count, byref(into)))
        return list(into)

    def _bits(self, call: str, address: int, count: int) -> list[bool]:
        into = (c_uint8 * count)()
        _checked(getattr(_lib(), call)(self._ctx, address, count, byref(into)))
        return [bool(one) for one in into]


class Server:
    """Serves four tables from address 0 on, in a thread, until the with-block ends.

    port: set on entry. requests: PDUs as received.
    """

    def __init__(
        self,
        *,
        host: str = "127.0.0.1",
        coils: Sequence[bool] = (),
        discrete: Sequence[bool] = (),
        holding: Sequence[int] = (),
        inputs: Sequence[int] = (),
    ) -> None:
        self.host, self.port, self.requests = host, 0, list[bytes]()
        self._tables = (coils, discrete, holding, inputs)
        self._stop_read, self._stop_write = socket.socketpair()
        self._thread = threading.Thread(target=self._serve, name="libmodbus server", daemon=True)

    def __enter__(self) -> Server:
        coils, discrete, holding, inputs = self._tables
        self._ctx = _lib().modbus_new_tcp(self.host.encode(), 0)
        self._mapping = _lib().modbus_mapping_new(
            len(coils), len(discrete), len(holding), len(inputs)
        )
        self.set("coil", 0, coils)
        self.set("discrete", 0, discrete)
        self.set("holding", 0, holding)
        self.set("input", 0, inputs)
        listening = _checked(_lib().modbus_tcp_listen(self._ctx, 4))
        self._listener = socket.socket(fileno=listening)
        self.port = self._listener.getsockname()[1]
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._stop_write.send(b".")
        self._thread.join(5)
        for sock in (self._listener, self._stop_read, self._stop_write):
            sock.close()
        _lib().modbus_mapping_free(self._mapping)
        _lib().modbus_free(self._ctx)

    def set(self, table: str, address: int, values: Sequence[int]) -> None:
        tables = self._mapping.contents
        into = {
            "coil": tables.tab_bits,
            "discrete": tables.tab_input_bits,
            "holding": tables.tab_registers,
            "input": tables.tab_input_registers,
        }[table]
        for at, value in enumerate(values):
            into[address + at] = int(value)

    def _serve(self) -> None:
        clients: list[socket.socket] = []
        query = (c_uint8 * ADU_BYTES_MAX)()
        while True:
            ready, _, _ = select.select([self._stop_read, self._listener, *clients], [], [])
            if self._stop_read in ready:
                break
            if self._listener in ready:
                clients.append(self._listener.accept()[0])
            for client in [one for one in clients if one in ready]:
                # seen before libmodbus takes it: it reads no further than the codes it knows
                pdu = client.recv(ADU_BYTES_MAX, socket.MSG_PEEK)[MBAP_BYTES:]
                _lib().modbus_set_socket(self._ctx, client.fileno())
                length = _lib().modbus_receive(self._ctx, byref(query))
                if length < 0:
                    clients.remove(client)
                    client.close()
                    continue
                self.requests.append(pdu)
                record_pdu(pdu)
                _lib().modbus_reply(self._ctx, byref(query), length, self._mapping)
        for client in clients:
            client.close()
