"""The process that serves OPC UA: from the poller's messages to nodes and events, and back.

`python -m poller.publishing.opcua.server`, started and ended by poller/publishing/child.py. It
knows nothing but what it was told since it was started.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from asyncua import Server, ua
from asyncua.common.connection import TransportLimits
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256, SecurityPolicyNone

from poller.model import limits
from poller.model.canonical import adapter
from poller.model.listening import not_opened
from poller.publishing.opcua.alarms import Alarms
from poller.publishing.opcua.conditions import Condition
from poller.publishing.opcua.events import Events
from poller.publishing.opcua.guard import Guarded
from poller.publishing.opcua.methods import Methods
from poller.publishing.opcua.relays import RelayView
from poller.publishing.opcua.roll import Roll
from poller.publishing.opcua.space import Space, standard
from poller.publishing.opcua.trust import Trust, Unusable, own, thumbprint
from poller.publishing.opcua.wire import Listener, Permissions, Policy, tell
from poller.publishing.parent import Parent

NAMESPACE: Final = "urn:bayroll:v1"
LOOK_S: Final = 2.0  # how often it is looked who is there

OPERATION_LIMITS: Final = (
    "MaxNodesPerRead",
    "MaxNodesPerWrite",
    "MaxNodesPerMethodCall",
    "MaxNodesPerBrowse",
    "MaxNodesPerRegisterNodes",
    "MaxNodesPerTranslateBrowsePathsToNodeIds",
    "MaxMonitoredItemsPerCall",
)


async def main() -> None:
    # it logs what clients send, unescaped and without bound
    logging.getLogger("asyncua").setLevel(logging.CRITICAL + 1)
    parent = await Parent.found()
    served: Served | None = None
    async for message in parent.messages():
        if served is None:
            served = await Served.opened(message, parent)
        else:
            await served.take(message)


class Served:
    """What is served, from the settings on that the poller tells first."""

    def __init__(self, parent: Parent, roll: Roll, alarms: Alarms) -> None:
        self._parent, self._roll, self._alarms = parent, roll, alarms
        self._looking: asyncio.Task[None] | None = None

    @classmethod
    async def opened(cls, told: Mapping[str, Any], parent: Parent) -> Served:
        """Listens. Raises SystemExit with what the poller is to tell people."""
        try:
            identity = own(
                Path(told["certificate"]),
                Path(told["key"]),
                make=(f"urn:bayroll:{told['site']}", told["host"]) if told["make"] else None,
            )
        except Unusable as reason:
            raise SystemExit(str(reason)) from reason
        if identity.made:
            tell(
                f"made {told['certificate']}, SHA-1 {thumbprint(identity.certificate)}: clients "
                "are to trust it"
            )
        guarded = Guarded(
            people=told["people"],
            in_the_clear=told["anonymous"],
            sessions_max=told["sessions_max"],
        )
        server = Server(iserver=guarded)
        server._application_uri = identity.uri
        await server.init()
        await _describe(server, told)
        space = Space(guarded.aspace, await server.register_namespace(NAMESPACE))
        roll = Roll(space, told["site"], told["name"])
        alarms = Alarms(
            space,
            roll,
            Events(guarded.subscription_service.subscriptions),
            say=parent.say,
            here=told["here"],
            shelved_ms_max=told["shelved_ms_max"],
        )
        guarded.call_method = Methods(alarms).call
        guarded.certificate, guarded.private_key = identity.certificate, identity.key
        listener = await _listening(server, guarded, told)
        served = cls(parent, roll, alarms)
        parent.say({"said": "serves", "port": listener.port})
        served._looking = asyncio.create_task(served._look(guarded, listener))
        return served

    async def take(self, message: Mapping[str, Any]) -> None:
        match message:
            case {"do": "relay", "relay": view}:
                await self._roll.show(adapter(RelayView).validate_python(view))
            case {"do": "no_relay", "relay": name}:
                await self._roll.drop(name)
            case {"do": "condition", "condition": condition}:
                await self._alarms.show(adapter(Condition).validate_python(condition))
            case {"do": "no_condition", "alarm": name}:
                await self._alarms.drop(name)
            case {"do": "answer", "number": number, "refused": refused}:
                self._alarms.answer(number, refused)
            case {"do": "up_to", "seq": seq}:
                await self._roll.reached(seq)
                self._parent.say({"said": "up_to", "seq": seq})
            case _:
                raise SystemExit(f"a message that nobody knows: {message.get('do')}")

    async def _look(self, guarded: Guarded, listener: Listener) -> None:
        told = 0
        while True:
            await asyncio.sleep(LOOK_S)
            listener.end_idle()
            if guarded.sessions != told:
                told = guarded.sessions
                self._parent.say({"said": "clients", "count": told})


async def _describe(server: Server, told: Mapping[str, Any]) -> None:
    server.set_server_name(f"Bayroll {told['name']}")
    server.product_uri, server.application_type = "urn:bayroll", ua.ApplicationType.Server
    await server.set_build_info(
        "urn:bayroll", "Bayroll", "Bayroll", told["version"], "", datetime.now(UTC)
    )
    for name in OPERATION_LIMITS:
        node = server.get_node(standard(f"Server_ServerCapabilities_OperationLimits_{name}"))
        await node.write_value(ua.Variant(limits.OPCUA_OPERATIONS_MAX, ua.VariantType.UInt32))


async def _listening(server: Server, guarded: Guarded, told: Mapping[str, Any]) -> Listener:
    host, port = told["host"], told["port"]
    place = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    server.set_endpoint(f"opc.tcp://{place}/")
    signed = SecurityPolicyBasic256Sha256, ua.MessageSecurityMode.SignAndEncrypt, 70
    policy = Policy(
        *signed[:2], guarded.certificate, guarded.private_key, permission_ruleset=Permissions()
    )
    policy.trust = Trust(Path(told["trusted"]))
    policies = [policy]
    server._set_endpoints(*signed)
    if guarded.in_the_clear:
        clear = SecurityPolicyNone, ua.MessageSecurityMode.None_, 0
        policies.append(Policy(*clear[:2], permission_ruleset=Permissions()))
        server._set_endpoints(*clear)
        tokens = guarded.endpoints[-1].UserIdentityTokens
        guarded.endpoints[-1].UserIdentityTokens = [
            one for one in tokens if one.TokenType == ua.UserTokenType.Anonymous
        ]
    await guarded.start()
    bounds = TransportLimits(
        max_recv_buffer=limits.OPCUA_CHUNK_OCTETS,
        max_send_buffer=limits.OPCUA_CHUNK_OCTETS,
        max_chunk_count=limits.OPCUA_MESSAGE_OCTETS // limits.OPCUA_CHUNK_OCTETS + 1,
        max_message_size=limits.OPCUA_MESSAGE_OCTETS,
    )
    listener = Listener(guarded, host, port, bounds)
    listener.set_policies(policies)
    try:
        await listener.start()
    except OSError as reason:
        raise SystemExit(not_opened(place, reason)) from reason
    return listener


if __name__ == "__main__":
    asyncio.run(main())
