"""asyncua, whose client is the peer in tests of the OPC UA output. Skips where it is not there."""

from __future__ import annotations

import os
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pytest

if not os.environ.get("BAYROLL_SKIP_NOTHING"):
    pytest.importorskip("asyncua", reason="asyncua is not installed: the extra opcua")

from asyncua import Client, ua
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256

from poller.publishing.opcua.output import OpcUa, open_output
from poller.site.shipped_alarms import shipped
from tests.publishing.brokers import HOST, free_port
from tests.publishing.certificates import OPENSSL
from tests.publishing.world import SILENT, House, Running, site, until

NAMESPACE: Final = "urn:bayroll:v1"
CLIENT_URI: Final = "urn:tests:client"
PASSWORDS: Final = {"DESK": "otter", "SHIFT": "heron"}
PEOPLE: Final = [{"name": name.title(), "password": {"env": name}} for name in PASSWORDS]
STARTS_S: Final = 60  # the library makes some thousand nodes first


def make_client(folder: Path, name: str, uri: str = CLIENT_URI, days: int = 2) -> Path:
    """A self-signed application certificate by OpenSSL: name.pem and name-key.pem."""
    if OPENSSL is None:
        pytest.skip("openssl is not installed")
    usages = "digitalSignature,nonRepudiation,keyEncipherment,dataEncipherment,keyCertSign"
    subprocess.run(
        [OPENSSL, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", str(days), "-sha256",
         "-keyout", f"{name}-key.pem", "-out", f"{name}.pem", "-subj", f"/CN={name}",
         "-addext", f"subjectAltName=URI:{uri}", "-addext", f"keyUsage=critical,{usages}",
         "-addext", "extendedKeyUsage=clientAuth"],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    return folder / f"{name}.pem"


class Bench:
    """A house with the output, and clients to it. folder: with client.pem, which is trusted."""

    def __init__(self, folder: Path, house: House | None = None) -> None:
        self.folder, self.house, self.port = folder, house or House(), free_port()
        self.house.secrets.update(PASSWORDS)
        if not (folder / "client.pem").exists():
            trusted = folder / "opcua-trusted"
            trusted.mkdir()
            (trusted / "client.pem").write_bytes(make_client(folder, "client").read_bytes())

    def output(self, *, over: str = "opcua", **settings: Any) -> OpcUa:
        catalogue = shipped().model_copy(update={"acknowledged_over": over})
        given = {"port": self.port, "people": PEOPLE, **settings}
        of = replace(site(), alarms=catalogue)
        return open_output(self.house.context(of, name="opcua", folder=str(self.folder), **given))

    @asynccontextmanager
    async def running(self, **settings: Any) -> AsyncIterator[OpcUa]:
        """Until it serves all that is durable."""
        output = self.output(**settings)
        pump = self.house.pump(output)
        async with Running(pump.run()):
            await until(
                lambda: output.status().connected and pump.status()[0].lag == 0, within_s=STARTS_S
            )
            yield output

    @asynccontextmanager
    async def client(
        self,
        user: str | None = "Desk",
        password: str | None = None,
        *,
        certificate: str | None = "client",
    ) -> AsyncIterator[Client]:
        """Signed in. user None: without a name; certificate None: in the clear."""
        client = Client(f"opc.tcp://{HOST}:{self.port}/")
        client.application_uri = CLIENT_URI
        if certificate is not None:
            await client.set_security(
                SecurityPolicyBasic256Sha256,
                self.folder / f"{certificate}.pem",
                self.folder / f"{certificate}-key.pem",
                mode=ua.MessageSecurityMode.SignAndEncrypt,
            )
        if user is not None:
            client.set_user(user)
            client.set_password(password or PASSWORDS[user.upper()])
        async with client:
            yield client


def node(client: Client, text: str) -> Any:
    """Ours, in the third namespace of the server: after OPC UA's and the application's own."""
    return client.get_node(ua.NodeId(text, 2))


class Alarms:
    """Somebody who watches alarms: what came, in order; refresh brackets as Start and End."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self.heard: list[Any] = []
        self.broken: list[Any] = []
        self.subscription: Any = None

    def event_notification(self, event: Any) -> None:
        self.heard.append(event)

    def status_change_notification(self, status: Any) -> None:
        self.broken.append(status)

    async def watch(self, source: Any = ua.ObjectIds.Server, **more: Any) -> int:
        """The id of the monitored item."""
        if self.subscription is None:
            self.subscription = await self._client.create_subscription(100, self)
        watched: int = await self.subscription.subscribe_alarms_and_conditions(
            source, ua.ObjectIds.AlarmConditionType, **more
        )
        return watched

    async def refresh(self) -> list[Any]:
        """What came of it, between its brackets."""
        began = len(self.heard)
        await refresh(self._client, self.subscription.subscription_id)
        await until(lambda: REFRESH_END in [one.EventType for one in self.heard[began:]])
        return self.heard[began:]

    def of(self, alarm: str = SILENT) -> list[Any]:
        return [one for one in self.heard if getattr(one, "NodeId", None) == condition_id(alarm)]

    async def next_of(self, alarm: str = SILENT, count: int = 1) -> Any:
        await until(lambda: len(self.of(alarm)) >= count)
        return self.of(alarm)[-1]


REFRESH_START, REFRESH_END = (
    ua.NodeId(getattr(ua.ObjectIds, f"Refresh{one}EventType")) for one in ("Start", "End")
)


def condition_id(alarm: str = SILENT) -> Any:
    return ua.NodeId(f"alarm/{alarm}", 2)


async def call(client: Client, owner: Any, method: str, *arguments: Any) -> None:
    """Raises what the method answered."""
    await client.get_node(owner).call_method(ua.NodeId(getattr(ua.ObjectIds, method)), *arguments)


async def refresh(client: Client, number: int, item: int | None = None) -> None:
    numbers = [ua.Variant(one, ua.VariantType.UInt32) for one in (number, item) if one is not None]
    method = "ConditionType_ConditionRefresh" + ("" if item is None else "2")
    await call(client, ua.NodeId(ua.ObjectIds.ConditionType), method, *numbers)


async def acknowledge(
    client: Client, event_id: bytes, comment: str | None = "line crew told", alarm: str = SILENT
) -> None:
    await call(
        client,
        condition_id(alarm),
        "AcknowledgeableConditionType_Acknowledge",
        ua.Variant(event_id, ua.VariantType.ByteString),
        ua.Variant(ua.LocalizedText(comment), ua.VariantType.LocalizedText),
    )
