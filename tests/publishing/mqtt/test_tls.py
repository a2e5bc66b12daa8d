"""TLS, client certificates and passwords against Mosquitto; what is wrong is told, no secret is."""

from __future__ import annotations

import asyncio
import gc
import logging
import re
import shutil
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from structlog.testing import capture_logs

from poller.model import events as ev
from poller.model import limits
from tests.publishing.brokers import HOST, MOSQUITTO, Mosquitto, Wire
from tests.publishing.world import House, Running, event, listed, seen, site, until

SECRET = "tarn-and-heather-41"  # noqa: S105 - made up, for a broker that lives for seconds
PASSWD = shutil.which("mosquitto_passwd")


@pytest.fixture(scope="module")
def keys(certified: Path) -> Path:
    if PASSWD is None or MOSQUITTO is None:
        pytest.skip("mosquitto and mosquitto_passwd are needed")
    folder = certified
    (folder / "passwords").touch()
    subprocess.run(
        [PASSWD, "-b", str(folder / "passwords"), "bayroll", SECRET],
        check=True,
        capture_output=True,
    )
    return folder


@pytest.fixture(params=["5", "3.1.1"])
async def broker(
    request: pytest.FixtureRequest, keys: Path, tmp_path: Path
) -> AsyncIterator[Mosquitto]:
    settings = "\n".join(
        (
            "allow_anonymous false",
            f"password_file {keys}/passwords",
            f"cafile {keys}/ca.pem",
            f"certfile {keys}/server.pem",
            f"keyfile {keys}/server.key",
            "require_certificate true",
        )
    )
    one = Mosquitto(tmp_path, protocol=request.param, settings=settings)
    await one.start()
    yield one
    await one.stop()


TLS = {"ca": "ca.pem", "certificate": "client.pem", "key": "client.key"}


def at(broker: Mosquitto, **more: Any) -> dict[str, Any]:
    return {
        "host": HOST,
        "port": broker.port,
        "protocol": broker.protocol,
        "tls": TLS,
        "user": {"env": "USER_OF_BROKER"},
        "password": {"env": "PASSWORD_OF_BROKER"},
        **more,
    }


def house_with(password: str | None) -> House:
    house = House()
    house.secrets = {"USER_OF_BROKER": "bayroll"}
    if password is not None:
        house.secrets["PASSWORD_OF_BROKER"] = password
    return house


async def test_with_certificate_and_password_events_arrive(broker: Mosquitto, keys: Path) -> None:
    house = house_with(SECRET)
    await house.commit(listed())
    pump = house.pump(house.mqtt(site(at(broker)), folder=str(keys)))
    async with Running(pump.run()):
        await until(lambda: pump.status()[0].lag == 0)
        assert pump.status()[0].connected


async def test_what_a_stalled_connection_does_not_take_goes_on_where_it_stopped(
    broker: Mosquitto, keys: Path
) -> None:
    """TLS wants what it could not send to be given again, and more may have come behind it."""
    house = house_with(SECRET)
    await house.commit(listed())
    async with Wire(broker.port) as wire:
        settings = {**at(broker), "port": wire.port, "keepalive_s": 60}
        pump = house.pump(house.mqtt(site(settings), folder=str(keys)))
        async with Running(pump.run()):
            await until(lambda: pump.status()[0].lag == 0)
            wire.stall()
            long = ev.SiteLoaded(site="s", sha256="0", files={"site.yaml": "x" * 400_000})
            for number in range(40):
                await house.commit(event(long, ""), seen(number))
                await asyncio.sleep(0.01)
            assert pump.status()[0].lag > 0
            wire.flow()
            await until(lambda: pump.status()[0].lag == 0, within_s=60)
        assert wire.connections == 1


async def test_a_wrong_password_is_told_without_it_and_a_right_one_taken_later(
    broker: Mosquitto, keys: Path, caplog: pytest.LogCaptureFixture
) -> None:
    house = house_with(SECRET + "-wrong")
    await house.commit(listed())
    caplog.set_level(logging.DEBUG)
    with capture_logs() as logs:
        output = house.mqtt(site(at(broker)), folder=str(keys))
        pump = house.pump(output)
        async with Running(pump.run()) as running:
            await until(lambda: "not connected yet" not in pump.status()[0].says)
            says = pump.status()[0].says
            assert not pump.status()[0].connected
            assert not running.done()
            house.secrets["PASSWORD_OF_BROKER"] = SECRET
            await until(lambda: pump.status()[0].lag == 0)
    assert "not authori" in says.lower() or "bad user name" in says.lower()
    assert SECRET not in repr((logs, caplog.text, says, output.status()))
    assert [one["event"] for one in logs if one["event"] == "output away"] == ["output away"]


NOT_OURS = "it hung up without an answer: .* it does not take our certificate"
WRONG = [
    ({"tls": {**TLS, "ca": "other-ca.pem"}}, SECRET, "certificate verify failed"),
    ({"tls": {"ca": "ca.pem"}}, SECRET, NOT_OURS),
    ({"tls": {**TLS, "certificate": "stranger.pem", "key": "stranger.key"}}, SECRET, NOT_OURS),
    ({"tls": {**TLS, "certificate": "expired.pem", "key": "expired.key"}}, SECRET, NOT_OURS),
    ({"host": "localhost"}, SECRET, "certificate verify failed"),  # not the name it is for
    ({}, None, "environment variable PASSWORD_OF_BROKER is not set"),
]


@pytest.mark.parametrize(("more", "password", "words"), WRONG)
async def test_what_is_wrong_with_a_connection_is_told(
    monkeypatch: pytest.MonkeyPatch,
    broker: Mosquitto,
    keys: Path,
    more: dict[str, Any],
    password: str | None,
    words: str,
) -> None:
    monkeypatch.setattr(limits, "MQTT_CONNECT_S", 1.0)  # long enough on loopback
    house = house_with(password)
    await house.commit(listed())
    pump = house.pump(house.mqtt(site(at(broker, **more)), folder=str(keys)))
    async with Running(pump.run()) as running:
        await until(lambda: "not connected yet" not in pump.status()[0].says)
        assert re.search(words, pump.status()[0].says)
        assert not pump.status()[0].connected
        assert not running.done()
        assert pump.status()[0].lag == 1


async def test_a_handshake_that_failed_leaves_no_socket_behind(
    broker: Mosquitto, keys: Path
) -> None:
    """Not until the next collection of garbage, which may be long in coming."""
    house = house_with(SECRET)
    settings = at(broker, tls={**TLS, "ca": "other-ca.pem"})
    output = house.mqtt(site(settings), folder=str(keys))
    before = descriptors()
    gc.disable()
    try:
        for _ in range(3):
            with pytest.raises(aiomqtt.MqttError, match="certificate verify failed"):
                await output._connection()
        await until(lambda: descriptors() <= before)
    finally:
        gc.enable()


def descriptors() -> int:
    """What this process has open, whichever it is."""
    return len(list(Path("/dev/fd").iterdir()))
