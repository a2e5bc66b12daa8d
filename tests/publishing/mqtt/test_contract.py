"""What is told over MQTT: the same to Mosquitto with 5, with 3.1.1, and to the embedded broker.

What holds for every output stands in test_outputs.py.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from poller.model.status import Health
from poller.model.work import FirmwareStatus, SettingsFile, WorkState
from poller.site.settings import Site
from tests.publishing import brokers
from tests.publishing.brokers import HOST, BrokerUnderTest, Listener, Wire
from tests.publishing.world import (
    Q07,
    Q08,
    House,
    Running,
    changed,
    delisted,
    first_read,
    judged,
    listed,
    moved,
    planned,
    reading,
    seen,
    site,
    until,
)

# ends of lines, NUL, wildcards, a turn of direction, half a surrogate pair, quotes, a tag
HOSTILE = "+/#\x00\x1b[2J\r\n\u202e\ud800\U0001f525\"'</script>{{7*7}}"


@pytest.fixture(params=brokers.KINDS)
async def broker(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[BrokerUnderTest]:
    one = brokers.make(request.param, tmp_path)
    await one.start()
    yield one
    await one.stop()


@pytest.fixture
async def house() -> House:
    return House()


@pytest.fixture
async def wire(broker: BrokerUnderTest) -> AsyncIterator[Wire]:
    async with Wire(broker.port) as one:
        yield one


def at(broker: BrokerUnderTest, port: int | None = None, **more: Any) -> Site:
    where = {"host": HOST, "port": port or broker.port, "protocol": broker.protocol}
    return site(where, **more)


async def test_a_late_subscriber_finds_the_newest_of_each_retained_topic(
    broker: BrokerUnderTest, house: House
) -> None:
    house.live[Q07] = reading()
    async with Listener(broker.port) as early, Running(house.pump(house.mqtt(at(broker))).run()):
        await house.commit(listed(), first_read())
        await house.commit(changed("2.0"))
        await until(lambda: (early.last("/nameplate") or {}).get("swRev") == "2.0")
        await house.commit(judged(FirmwareStatus.CURRENT), planned(), moved())
        await until(lambda: (early.last("/work/w1") or {}).get("state") == "under_way")
        async with Listener(broker.port) as listener:
            await until(lambda: len(listener.heard) >= 5)
    found = {one.topic: one.body for one in listener.heard if one.retain}
    base = "bayroll/v1/tarn-hill"
    assert found.keys() == {
        f"{base}/poller",
        f"{base}/relay/{Q07}/nameplate",
        f"{base}/relay/{Q07}/status",
        f"{base}/relay/{Q07}/firmware_status",
        f"{base}/work/w1",
    }
    assert found[f"{base}/poller"]["state"] == "online"
    assert found[f"{base}/relay/{Q07}/nameplate"]["swRev"] == "2.0"
    assert found[f"{base}/relay/{Q07}/status"]["health"]["value"] == 1
    assert found[f"{base}/relay/{Q07}/firmware_status"]["firmware"][0]["status"] == "current"
    assert found[f"{base}/work/w1"]["state"] == "under_way"


async def test_an_event_does_not_wait_for_all_that_is_retained(
    broker: BrokerUnderTest, house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("poller.publishing.mqtt.output.SENT_AT_ONCE", 1)
    names = [f"r{number}" for number in range(60)]
    async with Listener(broker.port) as heard, Running(house.pump(house.mqtt(at(broker))).run()):
        await house.commit(listed(), first_read())
        await until(lambda: heard.last("/nameplate") is not None)
        await house.commit(*(listed(name) for name in names))
        await until(lambda: heard.last("/r0/status") is not None)
        await house.commit(changed("2.0"))
        await until(lambda: heard.last("/r59/firmware_status") is not None)
    order = [one.topic for one in heard.heard]
    late = max(at for at, topic in enumerate(order) if topic.endswith("/event"))
    assert heard.heard[late].body["seq"] == house.durable.state.seq
    assert late < order.index("bayroll/v1/tarn-hill/relay/r59/firmware_status")


async def test_the_poller_topic_tells_the_head_of_the_journal(
    broker: BrokerUnderTest, house: House
) -> None:
    await house.commit(listed(), first_read())
    head = {"seq": 2, "hash": house.recorded[-1].hash}
    async with Listener(broker.port) as listener, Running(house.pump(house.mqtt(at(broker))).run()):
        await until(lambda: (listener.last("/poller") or {}).get("head") == head)


async def test_a_relay_taken_off_the_list_is_cleared(broker: BrokerUnderTest, house: House) -> None:
    await house.commit(listed(), first_read(), listed(Q08), first_read(Q08))
    endings = (f"{Q07}/nameplate", f"{Q07}/status", f"{Q07}/firmware_status")
    async with Listener(broker.port) as listener, Running(house.pump(house.mqtt(at(broker))).run()):
        await until(lambda: all(listener.last(one) is not None for one in endings))
        await house.commit(delisted())
        await until(lambda: all(listener.last(one) is None for one in endings))
    async with Listener(broker.port) as late:
        await until(lambda: late.last(f"{Q08}/nameplate") is not None)
    assert not any(Q07 in one.topic for one in late.heard)


async def test_a_relay_taken_off_while_the_poller_was_down_is_cleared(
    broker: BrokerUnderTest, house: House
) -> None:
    await house.commit(listed(), first_read(), listed(Q08))
    async with Listener(broker.port) as listener:
        async with Running(house.pump(house.mqtt(at(broker))).run()):
            await until(lambda: listener.last(f"{Q07}/nameplate") is not None)
        await house.commit(delisted())
        async with Running(house.pump(house.mqtt(at(broker))).run()):
            await until(lambda: listener.last(f"{Q07}/nameplate") is None)


async def test_work_is_told_until_it_ends_and_not_after(
    broker: BrokerUnderTest, house: House
) -> None:
    await house.commit(listed(), planned("w1"), planned("w2"))
    async with Listener(broker.port) as listener, Running(house.pump(house.mqtt(at(broker))).run()):
        await until(lambda: listener.last("/work/w2") is not None)
        await house.commit(moved("w1", WorkState.CLOSED), moved("w2", WorkState.READY))
        await until(lambda: (listener.last("/work/w2") or {}).get("state") == "ready")
        await until(lambda: listener.last("/work/w1") is None)
    async with Listener(broker.port) as late:
        await until(lambda: late.last("/work/w2") is not None)
    assert late.count("/work/w1") == 0


async def test_work_that_ended_while_the_broker_was_away_is_cleared(
    broker: BrokerUnderTest, house: House, wire: Wire
) -> None:
    await house.commit(listed(), planned())
    async with (
        Listener(broker.port) as listener,
        Running(house.pump(house.mqtt(at(broker, wire.port))).run()),
    ):
        await until(lambda: listener.last("/work/w1") is not None)
        wire.hold()
        await house.commit(moved("w1", WorkState.CANCELLED))
        wire.held = False
        await until(lambda: listener.last("/work/w1") is None)


async def test_work_that_ended_while_the_output_was_away_is_cleared_after_a_restart(
    broker: BrokerUnderTest, house: House
) -> None:
    await house.commit(listed(), planned())
    async with Listener(broker.port) as listener:
        async with Running(house.pump(house.mqtt(at(broker))).run()):
            await until(lambda: listener.last("/work/w1") is not None)
        await house.commit(moved("w1", WorkState.CLOSED))
        async with Running(house.pump(house.mqtt(at(broker))).run()):
            await until(lambda: listener.last("/work/w1") is None)


async def test_what_people_and_relays_write_arrives_as_they_wrote_it(
    broker: BrokerUnderTest, house: House
) -> None:
    settings = SettingsFile(name=HOSTILE, sha256_before="0" * 64, reviewed_by=HOSTILE)
    work = planned(expects={"swRev": HOSTILE}, reference=HOSTILE, settings=settings)
    await house.commit(listed(), work, moved(why=HOSTILE))
    async with Listener(broker.port) as listener, Running(house.pump(house.mqtt(at(broker))).run()):
        await until(lambda: listener.ids() == house.ids)
        await until(lambda: listener.last("/work/w1") is not None)
    told = listener.last("/work/w1")
    assert told is not None
    assert (told["why"], told["plan"]["reference"]) == (HOSTILE, HOSTILE)
    assert told["plan"]["expects"] == {"swRev": HOSTILE}
    assert told["plan"]["settings"]["name"] == HOSTILE


async def test_a_poller_that_dies_is_told_by_its_will(
    broker: BrokerUnderTest, house: House, wire: Wire
) -> None:
    output = house.mqtt(at(broker, wire.port))
    async with Listener(broker.port) as listener, Running(house.pump(output).run()):
        await until(lambda: (listener.last("/poller") or {}).get("state") == "online")
        wire.hold()
        await until(lambda: (listener.last("/poller") or {}).get("state") == "offline")
        will = listener.last("/poller")
    assert will is not None
    assert (will["head"], will["at"]) == (None, None)


async def test_a_poller_that_ends_says_so_itself(broker: BrokerUnderTest, house: House) -> None:
    await house.commit(listed())
    async with Listener(broker.port) as listener:
        async with Running(house.pump(house.mqtt(at(broker))).run()):
            await until(lambda: listener.ids() == house.ids)
        await until(lambda: (listener.last("/poller") or {}).get("state") == "offline")
        goodbye = listener.last("/poller")
    assert goodbye is not None
    assert goodbye["head"]["seq"] == 1


async def test_a_broker_that_forgot_gets_everything_again(
    broker: BrokerUnderTest, house: House, tmp_path: Path
) -> None:
    await house.commit(listed(), first_read())
    async with Running(house.pump(house.mqtt(at(broker))).run()):
        async with Listener(broker.port) as listener:
            await until(lambda: listener.last(f"{Q07}/nameplate") is not None)
        await broker.stop()
        for kept in tmp_path.glob("mosquitto.db"):
            kept.unlink()
        await broker.start()
        async with Listener(broker.port) as late:
            await until(lambda: late.last(f"{Q07}/nameplate") is not None)
            await until(lambda: (late.last("/poller") or {}).get("state") == "online")


async def test_only_the_newest_of_a_retained_topic_is_told_after_an_absence(
    broker: BrokerUnderTest, house: House, wire: Wire
) -> None:
    await house.commit(listed(), first_read())
    async with (
        Listener(broker.port) as listener,
        Running(house.pump(house.mqtt(at(broker, wire.port))).run()),
    ):
        await until(lambda: listener.last(f"{Q07}/nameplate") is not None)
        wire.hold()
        for version in ("2.0", "3.0", "4.0"):
            await house.commit(changed(version))
        told = listener.count(f"{Q07}/nameplate")
        wire.held = False
        await until(lambda: listener.ids()[-1:] == house.ids[-1:])
        # the first connection after it may still carry the state that a delivery under way had
        await until(lambda: (listener.last(f"{Q07}/nameplate") or {})["swRev"] == "4.0")
    assert listener.count(f"{Q07}/nameplate") <= told + 2


async def test_status_goes_out_on_a_change_and_not_on_a_tick(
    broker: BrokerUnderTest, house: House
) -> None:
    house.live[Q07] = reading(uptime_s=10)
    await house.commit(listed())
    async with Listener(broker.port) as listener, Running(house.pump(house.mqtt(at(broker))).run()):
        await until(lambda: listener.last(f"{Q07}/status") is not None)
        told = listener.count(f"{Q07}/status")
        house.live[Q07] = reading(uptime_s=11, at_s=1)
        await asyncio.sleep(1.5)  # more than one look
        assert listener.count(f"{Q07}/status") == told
        house.live[Q07] = reading(uptime_s=12, at_s=2, health=Health.ALARM)
        await until(lambda: (listener.last(f"{Q07}/status") or {})["health"]["value"] == 3)
        assert listener.last(f"{Q07}/status")["uptime_s"]["value"] == 12  # type: ignore[index]


async def test_status_goes_out_again_after_its_period(
    broker: BrokerUnderTest, house: House
) -> None:
    house.live[Q07] = reading()
    await house.commit(listed())
    output = house.mqtt(at(broker, status_publish_s=1))
    async with Listener(broker.port) as listener, Running(house.pump(output).run()):
        await until(lambda: listener.count(f"{Q07}/status") >= 3)
        assert listener.count(f"{Q07}/nameplate") == 1


async def test_a_broker_that_dies_while_it_is_waited_for_is_noticed_at_once(
    broker: BrokerUnderTest, house: House, wire: Wire
) -> None:
    await house.commit(listed())
    async with (
        Listener(broker.port) as listener,
        Running(house.pump(house.mqtt(at(broker, wire.port))).run()),
    ):
        await until(lambda: listener.ids() == house.ids)
        wire.stall()
        await house.commit(seen(1))
        await asyncio.sleep(0.2)  # the message is on its way and nothing comes back
        wire.cut()
        wire.flow()
        # the acknowledgement alone would be waited for a minute
        await until(lambda: listener.ids()[-1:] == house.ids[-1:], within_s=10)
