"""The operator's list of alarms at a broker, and acknowledgements that come back over it."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from poller.model import events as ev
from poller.model.alarms import AlarmState, Audience, Inhibit
from poller.model.standing import State
from poller.publishing.mqtt.alarm_list import alarm_body, not_normal
from poller.publishing.projections import Known, Source
from poller.site.settings import Site
from poller.site.shipped_alarms import shipped
from poller.state import fold
from tests.publishing import brokers
from tests.publishing.brokers import HOST, BrokerUnderTest, Listener, Mosquitto
from tests.publishing.world import Q07, SILENT, T0, House, Running, alarmed, listed, site, until

ALARM = f"bayroll/v1/tarn-hill/alarm/{SILENT}"
OVER_MQTT = shipped().model_copy(update={"acknowledged_over": "mqtt"})
GIVEN = {"user": "J. Kral", "comment": "line crew told"}


@pytest.fixture(params=brokers.KINDS)
async def broker(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[BrokerUnderTest]:
    one = brokers.make(request.param, tmp_path)
    await one.start()
    yield one
    await one.stop()


@pytest.fixture
async def house() -> House:
    one = House()
    await one.commit(listed(), alarmed())
    return one


def at(broker: BrokerUnderTest, *, over: str = "mqtt") -> Site:
    where = {"host": HOST, "port": broker.port, "protocol": broker.protocol}
    return replace(site(where), alarms=OVER_MQTT if over == "mqtt" else shipped())


async def test_an_alarm_stands_retained_until_it_is_normal(
    broker: BrokerUnderTest, house: House
) -> None:
    async with Running(house.pump(house.mqtt(at(broker))).run()):
        async with Listener(broker.port) as listener:
            await until(lambda: listener.last(SILENT) is not None)
            await house.commit(alarmed(AlarmState.ACKNOWLEDGED, by="J. Kral", comment="seen"))
            await until(lambda: (listener.last(SILENT) or {}).get("state") == "C")
        async with Listener(broker.port) as late:
            await until(lambda: late.last(SILENT) is not None)
            await house.commit(alarmed(AlarmState.NORMAL))
            await until(lambda: late.last(SILENT) is None)
    told = next(one for one in late.heard if one.topic == ALARM)
    assert told.retain
    assert told.body["acknowledged"] == {
        "by": "J. Kral",
        "at": "2026-03-01T04:05:06.789Z",
        "comment": "seen",
    }


async def test_a_late_subscriber_hears_nothing_of_what_is_over(
    broker: BrokerUnderTest, house: House
) -> None:
    await house.commit(alarmed(alarm=f"{Q07}.replaced"), alarmed(AlarmState.NORMAL))
    async with Running(house.pump(house.mqtt(at(broker))).run()):
        async with Listener(broker.port) as listener:
            await until(lambda: listener.last("replaced") is not None)
    assert listener.count(SILENT) == 0 or listener.last(SILENT) is None


async def acknowledge(
    broker: BrokerUnderTest, house: House, payload: object, *, over: str = "mqtt", **more: Any
) -> dict[str, Any] | None:
    """What came of it; None: nothing did, up to the event after it. more: of the message."""
    async with (
        Running(house.pump(house.mqtt(at(broker, over=over))).run()),
        Listener(broker.port) as listener,
    ):
        await until(lambda: listener.last(SILENT) is not None)
        octets = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        sent = listener.client.publish(f"{ALARM}/acknowledge", octets, qos=1, **more)
        await until(sent.is_published)  # the embedded broker runs in this very loop
        if over == "mqtt" and not more:
            await until(lambda: listener.last("/acknowledgement") is not None)
        else:  # a second one tells that the first would have been answered by now
            await house.commit(alarmed(alarm=f"{Q07}.replaced"))
            await until(lambda: listener.last("replaced") is not None)
    return listener.last("/acknowledgement")


async def test_an_acknowledgement_reaches_the_book_with_who_and_why(
    broker: BrokerUnderTest, house: House
) -> None:
    told = await acknowledge(broker, house, {**GIVEN, "request": "a1"})
    assert told is not None
    assert (told["accepted"], told["request"], told["alarm"]) == (True, "a1", SILENT)
    ((request, number, by),) = house.acks
    assert (request.alarm, request.why, request.over) == (SILENT, "line crew told", "mqtt")
    assert (number, by) == ("mqtt-a1", "J. Kral (over mqtt)")


async def test_what_the_book_refuses_is_answered_with_why(
    broker: BrokerUnderTest, house: House
) -> None:
    house.refuses = "it is acknowledged already"
    told = await acknowledge(broker, house, GIVEN)
    assert told is not None
    assert (told["accepted"], told["says"]) == (False, "it is acknowledged already")


REFUSED = [
    (b"seen", "Invalid JSON"),
    (b"\xff\xfe", "Invalid JSON"),
    ({"user": "J. Kral"}, "comment: Field required"),
    ({"user": "", "comment": "seen"}, "user: it is needed"),
    ({"user": "J. Kral", "comment": "\n"}, "comment: it is needed"),
    ({"user": "K" * 81, "comment": "seen"}, "user: 81 characters"),
    ({"user": ["J. Kral"], "comment": "seen"}, "user: Input should be a valid string"),
    ({**GIVEN, "request": "a b"}, "request: 1 to 48 letters"),
    ({**GIVEN, "seen": "0" * 32}, "q07-main-1.silent: it is not as you saw it"),
]


@pytest.mark.parametrize(("payload", "says"), REFUSED)
async def test_what_is_no_acknowledgement_is_refused(
    payload: object, says: str, tmp_path: Path, house: House
) -> None:
    broker = Mosquitto(tmp_path)
    await broker.start()
    told = await acknowledge(broker, house, payload)
    await broker.stop()
    assert house.acks == []
    assert told is not None
    assert not told["accepted"]
    assert told["says"].startswith(says)


async def test_who_saw_the_alarm_as_it_stands_may_say_so(
    broker: BrokerUnderTest, house: House
) -> None:
    async with (
        Running(house.pump(house.mqtt(at(broker))).run()),
        Listener(broker.port) as listener,
    ):
        await until(lambda: listener.last(SILENT) is not None)
        seen = (listener.last(SILENT) or {})["id"]
        payload = json.dumps({**GIVEN, "seen": seen})
        listener.client.publish(f"{ALARM}/acknowledge", payload, qos=1)
        await until(lambda: (listener.last(SILENT) or {}).get("state") == "C")


async def test_where_the_site_acknowledges_elsewhere_nobody_listens(
    broker: BrokerUnderTest, house: House
) -> None:
    assert await acknowledge(broker, house, GIVEN, over="bayroll") is None
    assert house.acks == []


async def test_an_acknowledgement_left_at_the_broker_is_not_taken_by_who_comes_later(
    broker: BrokerUnderTest, house: House
) -> None:
    async with Listener(broker.port) as listener:
        payload = json.dumps(GIVEN)
        listener.client.publish(f"{ALARM}/acknowledge", payload, qos=1, retain=True)
        await until(lambda: listener.last("/acknowledge") is not None)
    async with (
        Listener(broker.port) as listener,
        Running(house.pump(house.mqtt(at(broker))).run()),
    ):
        await until(lambda: listener.ids() == house.ids)
    assert house.acks == []


async def test_more_acknowledgements_than_are_taken_at_once_hurt_nobody(
    tmp_path: Path, house: House
) -> None:
    broker = Mosquitto(tmp_path)
    await broker.start()
    async with (
        Running(house.pump(house.mqtt(at(broker))).run()),
        Listener(broker.port) as listener,
    ):
        await until(lambda: listener.last(SILENT) is not None)
        for number in range(2_000):
            payload = json.dumps({**GIVEN, "request": f"a{number}"})
            listener.client.publish(f"{ALARM}/acknowledge", payload, qos=1)
        await house.commit(alarmed(alarm=f"{Q07}.replaced"))
        await until(lambda: listener.last("replaced") is not None)
    await broker.stop()
    assert house.acks


@pytest.mark.parametrize("audience", [Audience.ENGINEERING_NOTICE, Audience.SECURITY_EVENT])
async def test_what_is_not_for_the_operator_is_not_in_the_list(
    audience: Audience, tmp_path: Path
) -> None:
    broker = Mosquitto(tmp_path)
    await broker.start()
    house = House()
    await house.commit(listed(), alarmed(alarm=f"{Q07}.note", audience=(audience,)), alarmed())
    async with (
        Running(house.pump(house.mqtt(at(broker))).run()),
        Listener(broker.port) as listener,
    ):
        await until(lambda: listener.last(SILENT) is not None)
    await broker.stop()
    assert listener.count("note") == 0 or listener.last("note") is None


# What a message says.


def told(*events: ev.Event) -> dict[str, dict[str, Any] | None]:
    """By alarm: its message; None: it is to be cleared."""
    state = fold(State(), enumerate(events, 1))
    source = Source(site=site(), seq=state.seq)
    parts = not_normal(Known(state=state, live={}))
    return {
        name: None if part is None else json.loads(alarm_body(source, name, part).payload)
        for name, part in parts
    }


def shelved() -> ev.Event:
    body = ev.AlarmInhibited(
        alarm=SILENT, entry="silent", inhibit=Inhibit.SHELVED, until=T0, why="crew at the relay"
    )
    return ev.Event(at=T0, subject=Q07, body=body, by="J. Kral")


def test_an_alarm_tells_where_it_is_and_what_to_do() -> None:
    found = told(listed(), alarmed())[SILENT]
    assert found is not None
    assert (found["relay"], found["bay"], found["function"]) == (Q07, "q07", "main 1")
    assert (found["state"], found["active"], found["says"]) == ("B", True, "it does not answer")
    assert found["response"].startswith("Look whether SCADA still hears it")
    assert found["time_to_respond_min"] == 480


def test_of_an_entry_that_the_catalogue_has_no_more_it_tells_what_is_known() -> None:
    found = told(listed(), alarmed(alarm=f"{Q07}.gone"))[f"{Q07}.gone"]
    assert found is not None
    assert (found["state"], found["response"]) == ("B", None)


PUT_AWAY = [
    # events, the letter: whether it ever came or not, it is told that it is put away
    ((listed(), alarmed(), shelved()), "E"),
    ((listed(), shelved()), "E"),
]


@pytest.mark.parametrize(("events", "letter"), PUT_AWAY)
def test_what_is_put_away_stays_in_the_list_with_who_and_why(
    events: tuple[ev.Event, ...], letter: str
) -> None:
    found = told(*events)[SILENT]
    assert found is not None
    assert (found["state"], found["audience"]) == (letter, ["operator_alarm"])
    assert (found["shelved"]["by"], found["shelved"]["why"]) == ("J. Kral", "crew at the relay")


def test_what_is_over_is_cleared() -> None:
    assert told(listed(), alarmed(), alarmed(AlarmState.NORMAL)) == {SILENT: None}
