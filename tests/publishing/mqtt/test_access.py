"""The broker of config/broker as it ships, on Mosquitto: who gets in, and who may say what."""

from __future__ import annotations

import asyncio
import json
import shutil
import ssl
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from poller.site.shipped_alarms import shipped
from tests.publishing.brokers import HOST, MOSQUITTO, Mosquitto
from tests.publishing.world import SILENT, House, Running, alarmed, listed, site, until

CONFIG = Path(__file__).parents[3] / "config" / "broker"
PASSWD = shutil.which("mosquitto_passwd")
PASSWORDS = {name: f"{name}-and-heather" for name in ("bayroll", "desk", "display", "stranger")}
NOT_AUTHORIZED = 0x87  # MQTT 5.0, 2.4
SITE = "bayroll/v1/tarn-hill"  # of world.site


@pytest.fixture(scope="module")
def keys(certified: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Certificates, passwords and the access list in one folder, as in /etc/mosquitto."""
    if PASSWD is None or MOSQUITTO is None:
        pytest.skip("mosquitto and mosquitto_passwd are needed")
    folder = tmp_path_factory.mktemp("broker")
    shutil.copytree(certified, folder, dirs_exist_ok=True)
    (folder / "passwords").touch()
    for name, password in PASSWORDS.items():
        words = [PASSWD, "-b", str(folder / "passwords"), name, password]
        subprocess.run(words, check=True, capture_output=True)
    access = (CONFIG / "access.acl").read_text()
    (folder / "access.acl").write_text(access.replace("/fellmoor/", "/tarn-hill/"))
    return folder


@pytest.fixture
async def broker(keys: Path, tmp_path: Path) -> AsyncIterator[Mosquitto]:
    """Its settings, but for the address and where its files lie."""
    text = (CONFIG / "mosquitto.conf").read_text().replace("/etc/mosquitto", str(keys))
    ours = ("listener ", "persistence ", "max_queued_messages ")  # set by Mosquitto itself here
    lines = [line for line in text.splitlines() if not line.startswith(ours)]
    assert len(text.splitlines()) - len(lines) == len(ours)
    one = Mosquitto(tmp_path, settings="\n".join(lines))
    await one.start()
    yield one
    await one.stop()


class Client:
    """paho, which is not ours; it says why it was not taken, and what became of what it said."""

    def __init__(self, keys: Path, certificate: str | None = "client", ca: str = "ca") -> None:
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        context = ssl.create_default_context(cafile=str(keys / f"{ca}.pem"))
        if certificate is not None:
            files = (keys / f"{certificate}.pem", keys / f"{certificate}.key")
            context.load_cert_chain(*map(str, files))
        self.client.tls_set_context(context)
        self.connected: ReasonCode | None = None
        self.lost = False
        self.said: list[ReasonCode] = []
        self.heard: list[str] = []
        self.ready = False
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.on_publish = lambda *given: self.said.append(given[3])
        self.client.on_message = lambda _client, _data, one: self.heard.append(one.topic)
        self.client.on_subscribe = self._on_subscribe

    def _on_connect(self, client: Any, data: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        self.connected = reason

    def _on_disconnect(self, *_: Any) -> None:
        self.lost = True

    def _on_subscribe(self, *_: Any) -> None:
        self.ready = True


@asynccontextmanager
async def called(
    broker: Mosquitto, client: Client, user: str | None, password: str | None = None
) -> AsyncIterator[Client]:
    """Raises ssl.SSLError or OSError where not even TLS comes about."""
    if user is not None:
        client.client.username_pw_set(user, password or PASSWORDS[user])
    await asyncio.to_thread(client.client.connect, HOST, broker.port)
    client.client.loop_start()
    try:
        await until(lambda: client.connected is not None or client.lost)
        yield client
    finally:
        client.client.disconnect()
        await asyncio.to_thread(client.client.loop_stop)


# Who gets in.


async def test_a_client_with_certificate_and_password_gets_in(
    broker: Mosquitto, keys: Path
) -> None:
    async with called(broker, Client(keys), "display") as client:
        assert client.connected == "Success"


@pytest.mark.parametrize(
    ("user", "password"), [("display", "wrong"), ("nobody", "wrong"), (None, None)]
)
async def test_a_wrong_password_or_none_is_refused(
    broker: Mosquitto, keys: Path, user: str | None, password: str | None
) -> None:
    async with called(broker, Client(keys), user, password) as client:
        assert client.connected is not None
        assert client.connected.value == NOT_AUTHORIZED


@pytest.mark.parametrize("certificate", ["stranger", None])
async def test_the_certificate_of_another_authority_or_none_is_refused(
    broker: Mosquitto, keys: Path, certificate: str | None
) -> None:
    """With TLS 1.3 the client hears of it after the handshake: it is cut off, and never let in."""
    client = Client(keys, certificate)
    try:
        async with called(broker, client, "display"):
            pass
    except OSError:
        pass
    assert client.connected is None


async def test_a_broker_of_another_authority_is_not_spoken_to(
    broker: Mosquitto, keys: Path
) -> None:
    with pytest.raises(ssl.SSLCertVerificationError):
        async with called(broker, Client(keys, ca="other-ca"), "display"):
            pass


# Who may say what.

MAY = """
bayroll   relay/q07-main-1/nameplate   yes
bayroll   event                        yes
desk      alarm/a.silent/acknowledge   yes
desk      alarm/a.silent               no
desk      event                        no
display   alarm/a.silent/acknowledge   no
display   relay/q07-main-1/nameplate   no
display   poller                       no
stranger  event                        no
"""  # stranger: with a password, and not in the access list


@pytest.mark.parametrize("row", MAY.strip().splitlines())
async def test_who_may_say_what(broker: Mosquitto, keys: Path, row: str) -> None:
    """What may not be said is refused to who says it, and reaches nobody."""
    user, topic, may = row.split()
    async with (
        called(broker, Client(keys), "display") as display,
        called(broker, Client(keys), user) as client,
    ):
        display.client.subscribe("#", 1)
        await until(lambda: display.ready)
        client.client.publish(f"{SITE}/{topic}", b"{}", qos=1)
        await until(lambda: bool(client.said))
        assert (client.said[0].value == NOT_AUTHORIZED) == (may == "no")
        async with called(broker, Client(keys), "bayroll") as poller:  # what comes after it
            poller.client.publish(f"{SITE}/event/after", b"{}", qos=1)
            await until(lambda: f"{SITE}/event/after" in display.heard)
        assert (f"{SITE}/{topic}" in display.heard) == (may == "yes")


async def test_who_is_not_in_the_access_list_hears_nothing(broker: Mosquitto, keys: Path) -> None:
    async with (
        called(broker, Client(keys), "stranger") as stranger,
        called(broker, Client(keys), "display") as display,
        called(broker, Client(keys), "bayroll") as poller,
    ):
        for client in (stranger, display):
            client.client.subscribe("#", 1)
        await until(lambda: stranger.ready and display.ready)
        poller.client.publish(f"{SITE}/event", b"{}", qos=1)
        await until(lambda: bool(display.heard))
        assert stranger.heard == []


# Bayroll itself.


async def test_the_poller_tells_and_hears_all_that_it_needs(broker: Mosquitto, keys: Path) -> None:
    house = House()
    house.secrets = {"USER": "bayroll", "PASSWORD": PASSWORDS["bayroll"]}
    settings = {
        "host": HOST,
        "port": broker.port,
        "tls": {"ca": "ca.pem", "certificate": "client.pem", "key": "client.key"},
        "user": {"env": "USER"},
        "password": {"env": "PASSWORD"},
    }
    over_mqtt = shipped().model_copy(update={"acknowledged_over": "mqtt"})
    await house.commit(listed(), alarmed())
    pump = house.pump(house.mqtt(replace(site(settings), alarms=over_mqtt), folder=str(keys)))
    async with called(broker, Client(keys), "desk") as desk:
        desk.client.subscribe("#", 1)
        await until(lambda: desk.ready)
        async with Running(pump.run()):
            wanted = {f"{SITE}/{one}" for one in ("event", "poller", f"alarm/{SILENT}")}
            await until(lambda: wanted <= set(desk.heard))
            given = json.dumps({"user": "J. Kral", "comment": "line crew told"})
            desk.client.publish(f"{SITE}/alarm/{SILENT}/acknowledge", given, qos=1)
            await until(lambda: f"{SITE}/alarm/{SILENT}/acknowledgement" in desk.heard)
    assert [request.alarm for request, _, _ in house.acks] == [SILENT]
