"""Who gets in, and as whom: OPC 10000-4, 5.5, 5.6 and 6.1; from memory."""

from __future__ import annotations

import asyncio
import re
import struct
import sys
from asyncio.subprocess import PIPE
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from structlog.testing import capture_logs

from tests.publishing.brokers import HOST
from tests.publishing.opcua.peer import (
    Alarms,
    Bench,
    acknowledge,
    make_client,
    node,
    ua,
)
from tests.publishing.world import Q07, alarmed, first_read, listed, until

# isort: split
from asyncua import Client
from asyncua.ua import uaerrors as bad
from cryptography import x509

ROOT = Path(__file__).parents[3]
pytestmark = pytest.mark.asyncio(loop_scope="module")


async def opened(path: Path, **settings: Any) -> AsyncIterator[Bench]:
    one = Bench(path)
    await one.house.commit(listed(), first_read(), alarmed())
    async with one.running(**settings):
        yield one


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def named(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Bench]:
    """Only who has a name and a certificate gets in."""
    async for one in opened(tmp_path_factory.mktemp("named")):
        yield one


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def public(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Bench]:
    """Everybody may read; alarms are acknowledged elsewhere."""
    folder = tmp_path_factory.mktemp("public")
    async for one in opened(folder, anonymous=True, over="bayroll", sessions_max=2):
        yield one


async def test_one_endpoint_is_offered_and_nothing_in_the_clear(named: Bench) -> None:
    client = Client(f"opc.tcp://{HOST}:{named.port}/")
    (endpoint,) = await client.connect_and_get_server_endpoints()
    assert endpoint.SecurityPolicyUri.endswith("#Basic256Sha256")
    assert endpoint.SecurityMode == ua.MessageSecurityMode.SignAndEncrypt
    tokens = [one.TokenType for one in endpoint.UserIdentityTokens]
    assert tokens == [ua.UserTokenType.UserName]
    assert endpoint.Server.ApplicationUri == "urn:bayroll:tarn-hill"
    certificate = x509.load_der_x509_certificate(endpoint.ServerCertificate)
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    uris = names.value.get_values_for_type(x509.UniformResourceIdentifier)
    assert uris == [endpoint.Server.ApplicationUri]


WRONG = [("Desk", "heron"), ("Desk", "otter "), ("Nobody", "otter"), ("desk", "otter")]


@pytest.mark.parametrize(("user", "password"), WRONG)
async def test_a_wrong_name_or_password_is_refused(named: Bench, user: str, password: str) -> None:
    with pytest.raises(bad.BadUserAccessDenied):
        async with named.client(user, password):
            pass


async def test_nobody_reads_without_a_name_where_the_site_does_not_say_so(named: Bench) -> None:
    async with in_the_clear(named) as client:
        with pytest.raises(bad.BadSecurityModeRejected):
            await activate(client, ua.AnonymousIdentityToken())


async def test_no_password_is_taken_in_the_clear(named: Bench, public: Bench) -> None:
    for bench in (named, public):
        async with in_the_clear(bench) as client:
            token = ua.UserNameIdentityToken(UserName="Desk", Password=b"otter")
            with pytest.raises(bad.BadSecurityModeRejected):
                await activate(client, token)


@asynccontextmanager
async def in_the_clear(bench: Bench) -> AsyncIterator[Client]:
    """A session that is not active yet, over a channel without security, endpoint or not."""
    client = Client(f"opc.tcp://{HOST}:{bench.port}/")
    await client.connect_socket()
    try:
        await client.send_hello()
        await client.open_secure_channel()
        await client.uaclient.create_session(ua.CreateSessionParameters())
        yield client
    finally:
        client.disconnect_socket()


async def activate(client: Client, token: Any) -> None:
    await client.uaclient.activate_session(ua.ActivateSessionParameters(UserIdentityToken=token))


async def test_a_certificate_that_is_made_is_told_with_its_thumbprint(tmp_path: Path) -> None:
    """To be given to the clients; of the one that lies there already nothing is told."""
    with capture_logs() as logs:
        async with Bench(tmp_path).running():
            await until(lambda: any("clients are to trust it" in str(one) for one in logs))
    before = (tmp_path / "opcua-certificate.pem").read_bytes()
    with capture_logs() as logs:
        async with Bench(tmp_path).running():
            pass
    assert "clients are to trust it" not in str(logs)
    assert (tmp_path / "opcua-certificate.pem").read_bytes() == before


async def test_a_certificate_that_nobody_trusts_is_refused(named: Bench) -> None:
    make_client(named.folder, "stranger")
    with pytest.raises((bad.BadSecurityChecksFailed, ConnectionError)):
        async with named.client(certificate="stranger"):
            pass


async def test_a_certificate_is_trusted_as_soon_as_it_lies_there(named: Bench) -> None:
    made = make_client(named.folder, "second")
    (named.folder / "opcua-trusted" / "second.pem").write_bytes(made.read_bytes())
    async with named.client(certificate="second") as client:
        await client.nodes.server_state.read_value()


async def test_a_certificate_of_another_application_is_refused(named: Bench) -> None:
    made = make_client(named.folder, "other", uri="urn:tests:other")
    (named.folder / "opcua-trusted" / "other.pem").write_bytes(made.read_bytes())
    with capture_logs() as logs:
        with pytest.raises(bad.BadCertificateUriInvalid):
            async with named.client(certificate="other"):
                pass
        await until(lambda: any("BadCertificateUriInvalid" in str(one) for one in logs))


async def test_somebody_else_s_session_can_not_be_taken_over(public: Bench) -> None:
    """By whoever learned its number; nobody guesses it."""
    async with public.client() as client:
        token = client.uaclient.session.authentication_token
        assert len(token.Identifier) == 32
        thief = Client(f"opc.tcp://{HOST}:{public.port}/")
        await thief.connect_socket()
        await thief.send_hello()
        await thief.open_secure_channel()
        thief.uaclient.session.restore_authentication_token(token)
        with pytest.raises(bad.BadSessionIdInvalid):
            await activate(thief, ua.AnonymousIdentityToken())
        with pytest.raises(bad.BadUserAccessDenied):
            await thief.nodes.server_state.read_value()
        thief.disconnect_socket()
        await client.nodes.server_state.read_value()


async def test_everybody_reads_where_the_site_says_so(public: Bench) -> None:
    async with public.client(None, certificate=None) as client:
        assert await node(client, f"relay/{Q07}/swRev").read_value() == "1.0"
        alarms = Alarms(client)
        await alarms.watch()
        assert len(await alarms.refresh()) == 3


async def test_the_example_for_integrators_runs(public: Bench) -> None:
    page = (ROOT / "config" / "scada" / "opcua.md").read_text(encoding="utf-8")
    (example,) = re.findall("```python\n(.*?)```", page, re.DOTALL)
    for here, there in ((":4840/", f":{public.port}/"), ("sleep(5)", "sleep(1)")):
        assert example.count(here) == 1
        example = example.replace(here, there)
    ran = await asyncio.create_subprocess_exec(sys.executable, "-c", example, stdout=PIPE)
    said, _ = await ran.communicate()
    lines = said.decode().splitlines()
    assert "q07 main 1" in lines
    assert any(line.endswith("q07 main 1 it does not answer") for line in lines)


async def test_who_has_no_name_acknowledges_nothing(public: Bench, named: Bench) -> None:
    async with public.client(None, certificate=None) as client:
        alarms = Alarms(client)
        await alarms.watch()
        (_, told, _) = await alarms.refresh()
        with pytest.raises(bad.BadUserAccessDenied):
            await acknowledge(client, told.EventId)
    assert public.house.acks == []


async def test_where_alarms_are_acknowledged_elsewhere_nobody_does_it_here(public: Bench) -> None:
    async with public.client() as client:
        alarms = Alarms(client)
        await alarms.watch()
        (_, told, _) = await alarms.refresh()
        with pytest.raises(bad.BadUserAccessDenied):
            await acknowledge(client, told.EventId)
    assert public.house.acks == []


async def test_no_more_clients_than_the_site_says(public: Bench) -> None:
    async with public.client(), public.client("Shift"):
        with pytest.raises(bad.BadTooManySessions):
            async with public.client():
                pass
    async with public.client():
        pass


async def test_a_client_that_is_cut_off_leaves_its_place(public: Bench) -> None:
    for _ in range(3):
        async with public.client() as client:
            await Alarms(client).watch()
            client.uaclient.protocol.transport.abort()
            client.disconnect_socket()


HOSTILE = [
    b"MSGF" + struct.pack("<I", 2**31) + b"x" * 100,  # a message of 2 GB
    b"HELF" + struct.pack("<I", 8),  # too short to be one
    b"GET / HTTP/1.1\r\n\r\n" + b"x" * 70_000,
    b"\x00" * 70_000,
]


@pytest.mark.parametrize("octets", HOSTILE)
async def test_what_is_no_message_ends_the_connection(named: Bench, octets: bytes) -> None:
    reader, writer = await asyncio.open_connection(HOST, named.port)
    writer.write(octets)
    async with asyncio.timeout(5):
        while await reader.read(1_000):
            pass
    writer.close()
    async with named.client() as client:
        await client.nodes.server_state.read_value()
