"""Connections to the OPC UA server, and who may open a channel over one.

As asyncua comes, it buffers without end what is sent to it and what nobody takes, and leaves
whoever sent what it can't read without an answer.
Source: OPC 10000-6, 7.1 (connections); from memory.
"""

from __future__ import annotations

import asyncio
import sys
from struct import unpack_from
from typing import Any, Final

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import USER_TYPES, PermissionRuleset
from asyncua.crypto.security_policies import SecurityPolicyFactory
from asyncua.server.binary_server_asyncio import BinaryServer, OPCUAProtocol
from asyncua.ua.ua_binary import uatcp_to_binary

from poller.model import limits
from poller.publishing.opcua.trust import Trust

C = ua.StatusCodes
SIZE_AT: Final = 4  # of a message, in its header of eight octets: OPC 10000-6, 7.1.2.2
HEADER_OCTETS: Final = 8
IDLE_S: Final = (
    2 * limits.OPCUA_SESSION_S
)  # without a word, and a connection ends; stalled ones too


class Permissions(PermissionRuleset):  # type: ignore[misc]
    """Everybody who has a session may do the same, which is to read and to call methods."""

    def __init__(self) -> None:
        history = ua.ObjectIds.HistoryReadRequest_Encoding_DefaultBinary
        self._allowed = {ua.NodeId(one) for one in USER_TYPES if one != history}

    def check_validity(self, user: Any, action: ua.NodeId, body: Any) -> bool:
        return action in self._allowed


class Policy(SecurityPolicyFactory):  # type: ignore[misc]
    """trust: None where nothing is signed, and what a client shows proves nothing."""

    trust: Trust | None = None

    def create(self, peer_certificate: bytes | None) -> Any:
        if self.trust is None:
            return super().create(None)
        why = self.trust.refuses(peer_certificate)
        if why is not None:
            tell(f"a client was refused: {why}")
            raise ServiceError(C.BadSecurityChecksFailed)
        return super().create(peer_certificate)


class Listener(BinaryServer):  # type: ignore[misc]
    def _make_protocol(self) -> Connection:
        return Connection(
            iserver=self.iserver,
            policies=self._policies,
            clients=self.clients,
            closing_tasks=self.closing_tasks,
            limits=self.limits,
        )

    def end_idle(self) -> None:
        before_s = asyncio.get_running_loop().time() - IDLE_S
        for client in list(self.clients):
            if client.heard_s < before_s:
                client.transport.abort()


class Connection(OPCUAProtocol):  # type: ignore[misc]
    """A client that does not take its answers is not asked for more questions."""

    def __init__(self, *arguments: Any, **more: Any) -> None:
        super().__init__(*arguments, **more)
        self.heard_s = asyncio.get_running_loop().time()
        self._room = asyncio.Event()
        self._room.set()

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        if self.processor is not None:  # there was room for it
            self.processor._should_close_session_on_transport_loss = lambda: True

    def data_received(self, data: bytes) -> None:
        self.heard_s = asyncio.get_running_loop().time()
        super().data_received(data)
        left = self._buffer  # less than a message, unless it is none
        size = unpack_from("<I", left, SIZE_AT)[0] if len(left) >= HEADER_OCTETS else 0
        if max(size, len(left)) > limits.OPCUA_CHUNK_OCTETS and self.transport is not None:
            self._refuse(C.BadTcpMessageTooLarge)

    def pause_writing(self) -> None:
        self._room.clear()
        self.transport.pause_reading()

    def resume_writing(self) -> None:
        self._room.set()
        self.transport.resume_reading()

    async def _process_one_msg(self, header: Any, buf: Any) -> Any:
        await self._room.wait()
        try:
            return await super()._process_one_msg(header, buf)
        except Exception as reason:  # whatever a hostile message makes of the library
            self._refuse(getattr(reason, "code", C.BadDecodingError))
            return False

    def _refuse(self, code: int) -> None:
        """OPC 10000-6, 7.1.5: an error, and the connection ends."""
        told = ua.ErrorMessage(ua.StatusCode(code), "")
        self.transport.write(uatcp_to_binary(ua.MessageType.Error, told))
        self._buffer = b""
        self.transport.close()


def tell(text: str) -> None:
    """To the poller's log, bounded there."""
    print(text, file=sys.stderr, flush=True)  # noqa: T201
