"""MQTT 5 on the wire: properties by their ids in OASIS MQTT 5.0, limits and refusals."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from poller.model import events as ev
from poller.publishing.mqtt.topics import ACKNOWLEDGED, EVENT, TOPICS
from poller.site.settings import Broker
from tests.publishing.brokers import HOST, Listener, Mosquitto, Wire
from tests.publishing.mqtt.packets import PROPERTIES, Published, published, will
from tests.publishing.world import (
    Q07,
    SILENT,
    House,
    Running,
    alarmed,
    event,
    first_read,
    listed,
    moved,
    planned,
    reading,
    seen,
    site,
    until,
)

# what is always sent: an acknowledgement is answered only where one came
SENT = [topic for topic in TOPICS if not topic.heard and topic != ACKNOWLEDGED]
SCHEMAS = {topic.name: topic.schema for topic in SENT}


async def traffic(folder: Path, protocol: str) -> bytes:
    """What an output sends that has one relay, one piece of work, one alarm and their events."""
    broker = Mosquitto(folder, protocol=protocol)  # type: ignore[arg-type]
    await broker.start()
    house = House()
    house.live[Q07] = reading()
    await house.commit(listed(), first_read(), planned(), alarmed())
    async with Wire(broker.port) as wire, Listener(broker.port) as listener:
        output = house.mqtt(site({"host": HOST, "port": wire.port, "protocol": protocol}))
        async with Running(house.pump(output).run()):
            await until(lambda: listener.ids() == house.ids)
    await broker.stop()
    return b"".join(wire.sent)


@pytest.fixture
async def sent(tmp_path: Path) -> bytes:
    return await traffic(tmp_path, "5")


def by_name(messages: list[Published]) -> dict[str, Published]:
    abouts = (Q07, "w1", SILENT)
    names = {topic.of("tarn-hill", about): topic.name for topic in SENT for about in abouts}
    return {names[one.topic]: one for one in messages}


async def test_properties_repeat_what_the_body_says(sent: bytes) -> None:
    found = by_name(published(sent))
    assert found.keys() == SCHEMAS.keys()
    for name, message in found.items():
        properties = message.properties
        assert ("Payload Format Indicator", 1) in properties
        assert ("Content Type", "application/json") in properties
        assert ("User Property", ("schema", SCHEMAS[name])) in properties
        body = json.loads(message.payload)
        assert ("User Property", ("id", body["id"])) in properties
        assert body["schema"] == SCHEMAS[name]


async def test_only_status_expires_and_late_enough(sent: bytes) -> None:
    expiries = {
        name: [value for what, value in one.properties if what == "Message Expiry Interval"]
        for name, one in by_name(published(sent)).items()
    }
    assert expiries == {name: [900] if name == "status" else [] for name in SCHEMAS}


async def test_every_property_may_stand_in_its_packet(sent: bytes) -> None:
    allowed = {one.name for one in PROPERTIES.values() if "PUBLISH" in one.packets}
    allowed |= {"User Property"}
    used = {name for message in published(sent) for name, _ in message.properties}
    assert used <= allowed


async def test_quality_of_service_is_1_and_only_events_are_not_retained(sent: bytes) -> None:
    assert {one.qos for one in published(sent)} == {1}
    assert {one.topic for one in published(sent) if not one.retain} == {EVENT.of("tarn-hill")}


async def test_the_will_is_retained_and_says_what_it_is(sent: bytes) -> None:
    left = will(sent)
    assert (left.topic, left.qos, left.retain) == ("bayroll/v1/tarn-hill/poller", 1, True)
    assert json.loads(left.payload)["state"] == "offline"
    assert ("Content Type", "application/json") in left.properties
    assert ("User Property", ("schema", "bayroll/poller/1")) in left.properties


async def test_3_1_1_sends_the_same_bodies_without_properties(tmp_path: Path) -> None:
    found = by_name(published(await traffic(tmp_path, "3.1.1"), version=4))
    assert {name: json.loads(one.payload)["schema"] for name, one in found.items()} == SCHEMAS


async def test_online_is_told_before_anything_else(sent: bytes) -> None:
    first = published(sent)[0]
    assert (first.topic, json.loads(first.payload)["state"]) == (
        "bayroll/v1/tarn-hill/poller",
        "online",
    )


@pytest.fixture
async def narrow(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    """Takes two messages at a time, of 8,000 bytes at most."""
    broker = Mosquitto(
        tmp_path,
        settings="allow_anonymous true\nmax_inflight_messages 2\nmax_packet_size 8000",
    )
    await broker.start()
    yield broker
    await broker.stop()


@pytest.mark.parametrize(
    "broker",
    [{"protocol": "5"}, {"protocol": "3.1.1", "maximum_packet_size": 8_000}],
    ids=["it says so", "3.1.1, where people say so"],
)
async def test_an_event_too_long_for_the_broker_does_not_stop_those_after_it(
    narrow: Mosquitto, broker: dict[str, Any]
) -> None:
    house = House()
    text = ev.SiteLoaded(site="s", sha256="0", files={"site.yaml": "x" * 20_000})
    await house.commit(listed(), event(text, ""), seen(1))
    output = house.mqtt(site({"host": HOST, "port": narrow.port, **broker}))
    async with Listener(narrow.port) as listener, Running(house.pump(output).run()):
        await until(lambda: listener.ids() == house.ids)
    assert [one["body"] is None for one in listener.events()] == [False, True, False]
    assert listener.events()[1]["omitted_bytes"] > 20_000


async def test_work_too_long_for_the_broker_stops_nothing_and_leaves_nothing_false(
    narrow: Mosquitto,
) -> None:
    house = House()
    await house.commit(listed(), planned())
    output = house.mqtt(site({"host": HOST, "port": narrow.port}))
    async with Listener(narrow.port) as listener, Running(house.pump(output).run()):
        await until(lambda: listener.last("/work/w1") is not None)
        await house.commit(moved(why="x" * 9_000), seen(1))
        await until(lambda: listener.ids() == house.ids)
        await until(lambda: listener.last("/work/w1") is None)
        await house.commit(moved(why="short"))
        await until(lambda: (listener.last("/work/w1") or {}).get("why") == "short")


async def test_no_more_are_under_way_than_the_broker_takes(narrow: Mosquitto) -> None:
    """MQTT 5.0, 4.9: a server may end the connection of a client that sends more."""
    house = House()
    await house.commit(listed(), *(seen(number) for number in range(50)))
    async with Wire(narrow.port) as wire, Listener(narrow.port) as listener:
        pump = house.pump(house.mqtt(site({"host": HOST, "port": wire.port})))
        async with Running(pump.run()):
            await until(lambda: listener.ids() == house.ids)
            await until(lambda: pump.status()[0].lag == 0)  # they are acknowledged, too
            wire.stall_back()
            before = len(published(b"".join(wire.sent)))
            await house.commit(*(listed(f"q{number}-main-1") for number in range(20)))
            await asyncio.sleep(0.5)
            assert len(published(b"".join(wire.sent))) - before == 2
            wire.flow_back()
            await until(lambda: listener.ids() == house.ids)
    assert wire.connections == 1


async def test_a_message_that_the_broker_refuses_was_not_delivered(tmp_path: Path) -> None:
    """Its refusal comes in the acknowledgement (MQTT 5.0, 3.4.2.1), which is no success then."""
    rules = tmp_path / "acl"
    rules.write_text("topic read #\ntopic write bayroll/v1/tarn-hill/poller\n")
    broker = Mosquitto(tmp_path, settings=f"allow_anonymous true\nacl_file {rules}")
    await broker.start()
    house = House()
    await house.commit(seen_site())
    output = house.mqtt(site({"host": HOST, "port": broker.port}))
    pump = house.pump(output)
    async with Listener(broker.port) as listener, Running(pump.run()):
        await until(lambda: "ot authorized" in pump.status()[0].says)
        assert (pump.status()[0].lag, listener.ids()) == (1, [])
        await broker.stop()
        rules.write_text("topic readwrite #\n")
        await broker.start()
        await until(lambda: pump.status()[0].lag == 0)
    await broker.stop()


def seen_site() -> ev.Event:
    return event(ev.ServiceStarted(version="1"), "")


async def test_a_peer_that_answers_nothing_is_given_up(tmp_path: Path) -> None:
    """No reset, no answer: noticed by keepalive. 1 s here; the site file allows 5 s and more."""
    broker = Mosquitto(tmp_path)
    await broker.start()
    house = House()
    await house.commit(listed())
    async with Wire(broker.port) as wire, Listener(broker.port) as listener:
        settings = {"host": HOST, "port": wire.port, "protocol": "5", "keepalive_s": 1}
        impatient = Broker.model_construct(**{**Broker(host=HOST).model_dump(), **settings})
        of = site({"host": HOST})
        output = house.mqtt(of)
        output._broker = impatient
        async with Running(house.pump(output).run()):
            await until(lambda: listener.ids() == house.ids)
            wire.stall()
            await house.commit(seen(1))
            await until(lambda: wire.connections >= 2, within_s=15)
            wire.flow()
            await until(lambda: listener.ids()[-1:] == house.ids[-1:])
    await broker.stop()
