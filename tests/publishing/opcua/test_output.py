"""The OPC UA server, against asyncua's client."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
import pytest_asyncio

from poller.model import events as ev
from poller.model.alarms import AlarmState
from tests.publishing.opcua.peer import (
    NAMESPACE,
    REFRESH_END,
    REFRESH_START,
    Alarms,
    Bench,
    acknowledge,
    call,
    condition_id,
    node,
    refresh,
    ua,
)
from tests.publishing.world import (
    Q07,
    Q08,
    SILENT,
    T0,
    alarmed,
    changed,
    delisted,
    event,
    first_read,
    listed,
    until,
)

# isort: split
from asyncua.ua import uaerrors as bad

pytestmark = pytest.mark.asyncio(loop_scope="module")
REPLACED = f"{Q08}.replaced"


def replaced() -> ev.Event:
    """An alarm of the other relay."""
    return replace(alarmed(alarm=REPLACED), subject=Q08)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Bench]:
    """One for all tests of this file, since it takes seconds to start; each leaves no alarm."""
    one = Bench(tmp_path_factory.mktemp("opcua"))
    await one.house.commit(listed(), listed(Q08), first_read())
    async with one.running():
        yield one


@pytest_asyncio.fixture(loop_scope="module")
async def clean(bench: Bench) -> AsyncIterator[Bench]:
    bench.house.acks.clear()
    yield bench
    bench.house.refuses = None
    standing = [one for one in bench.house.durable.state.alarms.values() if one.letter != "A"]
    await bench.house.commit(*(alarmed(AlarmState.NORMAL, alarm=one.id) for one in standing))


async def text(client: Any, name: str) -> tuple[Any, str]:
    value = await node(client, name).read_data_value(raise_on_bad_status=False)
    return value.Value.Value, value.StatusCode.name


# Relays.


async def test_a_relay_stands_under_its_site_with_its_nameplate(clean: Bench) -> None:
    async with clean.client() as client:
        assert await client.get_namespace_index(NAMESPACE) == 2
        found = await client.nodes.objects.get_child(["2:tarn-hill", f"2:{Q07}", "2:swRev"])
        value = await found.read_data_value()
    assert (value.Value.Value, value.StatusCode.name) == ("1.0", "Good")
    assert value.SourceTimestamp == T0


async def test_what_was_not_read_has_no_value(clean: Bench) -> None:
    async with clean.client() as client:
        assert await text(client, f"relay/{Q08}/swRev") == (None, "BadWaitingForInitialData")
        assert await text(client, f"relay/{Q07}/hwRev") == (None, "Good"), "it has none"


async def test_it_tells_how_much_of_the_journal_it_takes_in(clean: Bench) -> None:
    async with clean.client() as client:
        await clean.house.commit(changed("1.5"))
        reached = clean.house.durable.state.seq
        while (await text(client, "site/journalSeq"))[0] != reached:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        assert await text(client, f"relay/{Q07}/swRev") == ("1.5", "Good")


async def test_a_change_of_firmware_reaches_who_watches_it(clean: Bench) -> None:
    heard: list[Any] = []

    class Watch:
        def datachange_notification(self, of: Any, value: Any, data: Any) -> None:
            heard.append(value)

    async with clean.client() as client:
        subscription = await client.create_subscription(100, Watch())
        await subscription.subscribe_data_change(node(client, f"relay/{Q07}/swRev"))
        await until(lambda: heard)
        await clean.house.commit(changed("2.0"))
        await until(lambda: heard[-1] == "2.0")


async def test_a_silent_relay_is_uncertain(clean: Bench) -> None:
    silent = ev.RelaySilent(last_answer_at=T0, reason="no reply")
    async with clean.client() as client:
        await clean.house.commit(event(silent))
        expected = "UncertainLastUsableValue"
        while (await text(client, f"relay/{Q07}/swRev"))[1] != expected:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        await clean.house.commit(event(ev.RelayAnswering(silent_since=T0)))


async def test_a_relay_that_is_delisted_goes_and_may_come_back(clean: Bench) -> None:
    async with clean.client() as client:
        watched: list[Any] = []

        class Watch:
            def datachange_notification(self, of: Any, value: Any, data: Any) -> None:
                watched.append(data.monitored_item.Value.StatusCode.name)

        subscription = await client.create_subscription(100, Watch())
        await subscription.subscribe_data_change(node(client, f"relay/{Q08}/bay"))
        await until(lambda: watched == ["Good"])
        await clean.house.commit(delisted(Q08))
        await until(lambda: watched == ["Good", "BadNodeIdUnknown"])
        await subscription.delete()
        await clean.house.commit(listed(Q08), replaced())
        alarms = Alarms(client)
        await alarms.watch(node(client, f"relay/{Q08}"))
        (_, found, _) = await alarms.refresh()
        assert found.SourceName == "q08 main 1"


# Alarms.


async def test_an_alarm_comes_with_all_that_is_known_of_it(clean: Bench) -> None:
    async with clean.client() as client:
        alarms = Alarms(client)
        await alarms.watch()
        await clean.house.commit(alarmed())
        told = (await alarms.next_of()).get_event_props_as_fields_dict()
    expected = {
        "Message": ua.LocalizedText("it does not answer"),
        "SourceName": "q07 main 1",
        "SourceNode": ua.NodeId(f"relay/{Q07}", 2),
        "ConditionName": "silent",
        "EventType": ua.NodeId(ua.ObjectIds.AlarmConditionType),
        "ConditionClassId": ua.NodeId(ua.ObjectIds.MaintenanceConditionClassType),
        "Severity": 167,
        "Retain": True,
        "ActiveState/Id": True,
        "AckedState/Id": False,
        "EnabledState/Id": True,
        "SuppressedState/Id": False,
        "OutOfServiceState/Id": False,
        "SuppressedOrShelved": False,
        "Time": T0,
        "BranchId": ua.NodeId(),
    }
    assert {name: told[name].Value for name in expected} == expected


async def test_a_condition_can_be_browsed_and_read(clean: Bench) -> None:
    await clean.house.commit(alarmed())
    async with clean.client() as client:
        relay = node(client, f"relay/{Q07}")
        await until_there(client, f"alarm/{SILENT}/ActiveState")
        found = await relay.get_child(["2:silent", "0:ActiveState", "0:Id"])
        assert await found.read_value() is True
        shelving = await relay.get_child(["2:silent", "0:ShelvingState", "0:CurrentState"])
        assert (await shelving.read_value()).Text == "Unshelved"
        of_type = await node(client, f"alarm/{SILENT}").read_type_definition()
    assert of_type == ua.NodeId(ua.ObjectIds.AlarmConditionType)


async def until_there(client: Any, name: str) -> None:
    async with asyncio.timeout(20):
        while (await text(client, name))[1] == "BadNodeIdUnknown":  # noqa: ASYNC110
            await asyncio.sleep(0.01)


async def test_every_move_is_an_event(clean: Bench) -> None:
    async with clean.client() as client:
        alarms = Alarms(client)
        await alarms.watch()
        await clean.house.commit(
            alarmed(), alarmed(AlarmState.ACKNOWLEDGED, by="K"), alarmed(AlarmState.NORMAL)
        )
        await alarms.next_of(count=3)
    fields = [one.get_event_props_as_fields_dict() for one in alarms.of()]
    moves = [(one["ActiveState/Id"].Value, one["AckedState/Id"].Value) for one in fields]
    assert moves == [(True, False), (True, True), (False, True)]
    assert [one["Retain"].Value for one in fields] == [True, True, False]


async def test_who_watches_a_relay_hears_of_no_other(clean: Bench) -> None:
    async with clean.client() as client:
        alarms = Alarms(client)
        await alarms.watch(node(client, f"relay/{Q07}"))
        await clean.house.commit(replaced(), alarmed())
        await alarms.next_of()
    assert alarms.of(REPLACED) == []


# Acknowledging.


async def waiting(bench: Bench, client: Any) -> tuple[Alarms, bytes]:
    """An alarm that came just now, and the EventId with which it was told."""
    alarms = Alarms(client)
    await alarms.watch()
    await bench.house.commit(alarmed())
    return alarms, (await alarms.next_of()).EventId


async def test_an_acknowledgement_reaches_the_book_with_who_and_why(clean: Bench) -> None:
    async with clean.client() as client:
        alarms, event_id = await waiting(clean, client)
        await acknowledge(client, event_id)
        told = (await alarms.next_of(count=2)).get_event_props_as_fields_dict()
    ((request, number, by),) = clean.house.acks
    assert (request.alarm, request.why, request.over) == (SILENT, "line crew told", "opcua")
    assert (number, by) == (f"opcua-{event_id.hex()}", "Desk (over opcua)")
    assert told["AckedState/Id"].Value is True
    assert told["Comment"].Value.Text == "line crew told"
    assert told["ClientUserId"].Value == "Desk (over opcua)"


async def test_a_comment_may_be_left_out(clean: Bench) -> None:
    async with clean.client() as client:
        _, event_id = await waiting(clean, client)
        await acknowledge(client, event_id, None)
    assert clean.house.acks[0][0].why == "(no comment)"


async def test_a_comment_can_do_nothing_to_a_screen_and_has_an_end(clean: Bench) -> None:
    async with clean.client() as client:
        _, event_id = await waiting(clean, client)
        await acknowledge(client, event_id, "\x1b[2J" + "x" * 200_000)
    why = clean.house.acks[0][0].why
    assert why.startswith(r"\x1b[2Jxxx")
    assert len(why) == 500


async def test_an_unknown_event_id_acknowledges_nothing(clean: Bench) -> None:
    async with clean.client() as client:
        await waiting(clean, client)
        for unknown in (b"\x00" * 16, b"", None):
            with pytest.raises(bad.BadEventIdUnknown):
                await acknowledge(client, unknown)  # type: ignore[arg-type]
    assert clean.house.acks == []


async def test_what_was_acknowledged_is_not_acknowledged_again(clean: Bench) -> None:
    async with clean.client() as client:
        alarms, event_id = await waiting(clean, client)
        await acknowledge(client, event_id)
        acked = (await alarms.next_of(count=2)).EventId
        for known in (event_id, acked):
            with pytest.raises(bad.BadConditionBranchAlreadyAcked):
                await acknowledge(client, known)


@pytest.mark.parametrize("between", [AlarmState.ACKNOWLEDGED, AlarmState.RETURNED])
async def test_nobody_acknowledges_what_came_anew_and_was_not_seen(
    between: AlarmState, clean: Bench
) -> None:
    async with clean.client() as client:
        alarms, first = await waiting(clean, client)
        again = replace(alarmed(), at=T0 + timedelta(minutes=1))
        await clean.house.commit(alarmed(between, by="K"), again)
        await alarms.next_of(count=3)
        with pytest.raises(bad.BadEventIdUnknown):
            await acknowledge(client, first)


async def test_what_the_book_refuses_is_refused(clean: Bench) -> None:
    clean.house.refuses = "it is shelved"
    async with clean.client() as client:
        _, event_id = await waiting(clean, client)
        with pytest.raises(bad.BadRequestNotAllowed):
            await acknowledge(client, event_id)


async def test_an_alarm_that_nobody_knows_is_not_acknowledged(clean: Bench) -> None:
    async with clean.client() as client:
        _, event_id = await waiting(clean, client)
        with pytest.raises(bad.BadNodeIdUnknown):
            await acknowledge(client, event_id, alarm="q99.silent")


# Refresh.


async def test_who_was_away_asks_and_is_told_what_stands(clean: Bench) -> None:
    async with clean.client() as client:
        _, event_id = await waiting(clean, client)
    await clean.house.commit(replaced())
    async with clean.client("Shift") as client:
        alarms = Alarms(client)
        await alarms.watch()
        start, *told, end = await alarms.refresh()
        assert (start.EventType, end.EventType) == (REFRESH_START, REFRESH_END)
        ids = {one.NodeId: one.EventId for one in told}
        assert ids.keys() == {condition_id(SILENT), condition_id(REPLACED)}
        assert ids[condition_id(SILENT)] == event_id, "the state is the same, and so is its event"
        await acknowledge(client, event_id)
        await alarms.next_of(count=2)
        assert clean.house.acks[0][2] == "Shift (over opcua)"


async def test_a_refresh_is_whole_however_short_a_queue_is_asked_for(clean: Bench) -> None:
    await clean.house.commit(alarmed(), replaced())
    async with clean.client() as client:
        alarms = Alarms(client)
        await alarms.watch(queuesize=1)
        assert len(await alarms.refresh()) == 4


async def test_a_refresh_of_one_item_is_of_that_item(clean: Bench) -> None:
    await clean.house.commit(alarmed())
    async with clean.client() as client:
        alarms = Alarms(client)
        item = await alarms.watch()
        await alarms.watch(node(client, "site"))
        number = alarms.subscription.subscription_id
        await refresh(client, number, item)
        await until(lambda: [one.EventType for one in alarms.heard].count(REFRESH_END) == 1)
        assert len(alarms.of()) == 1
        with pytest.raises(bad.BadMonitoredItemIdInvalid):
            await refresh(client, number, 1)


async def test_an_alarm_that_is_over_is_not_told_to_who_comes_anew(clean: Bench) -> None:
    await clean.house.commit(alarmed(), alarmed(AlarmState.NORMAL))
    async with clean.client() as client:
        alarms = Alarms(client)
        await alarms.watch()
        assert len(await alarms.refresh()) == 2  # its brackets


# Nothing but that.


async def test_a_session_has_its_own_subscriptions_only(clean: Bench) -> None:
    async with clean.client() as client, clean.client("Shift") as other:
        alarms = Alarms(client)
        await alarms.watch()
        number = alarms.subscription.subscription_id
        with pytest.raises(bad.BadSubscriptionIdInvalid):
            await refresh(other, number)
        (status,) = await other.uaclient.delete_subscriptions([number])
        assert status.name == "BadSubscriptionIdInvalid"
        await clean.house.commit(alarmed())
        await alarms.next_of()


async def test_whoever_selects_what_is_no_field_stops_nobody(clean: Bench) -> None:
    async with clean.client() as client, clean.client("Shift") as other:
        odd, alarms = Alarms(client), Alarms(other)
        wanted = ua.EventFilter()
        wanted.SelectClauses = [selecting(name) for name in ("to_event_fields", "Severity")]
        await odd.watch(evfilter=wanted)
        await alarms.watch()
        await clean.house.commit(alarmed())
        await alarms.next_of()
        await until(lambda: odd.heard)
    assert odd.heard[0].Severity == 167


def selecting(name: str) -> Any:
    one = ua.SimpleAttributeOperand()
    one.AttributeId = ua.AttributeIds.Value
    one.BrowsePath = [ua.QualifiedName(name)]
    return one


async def test_nothing_can_be_written(clean: Bench) -> None:
    writable = ua.NodeId(ua.ObjectIds.Server_Auditing)
    async with clean.client() as client:
        for target in (ua.NodeId(f"relay/{Q07}/swRev", 2), writable):
            with pytest.raises(bad.BadNotWritable):
                await client.get_node(target).write_value("3.0")
        with pytest.raises(bad.BadUserAccessDenied):
            await client.nodes.objects.add_folder(2, "ours")
        with pytest.raises(bad.BadServiceUnsupported):
            await client.uaclient.register_server(
                ua.RegisteredServer(ServerNames=[ua.LocalizedText("x")])
            )


METHODS = [
    ("ConditionType_Disable", [], bad.BadNotSupported),
    ("ConditionType_AddComment", [b"", ua.LocalizedText("x")], bad.BadNotSupported),
    ("ShelvedStateMachineType_Unshelve", [], bad.BadNotSupported),
    ("Server_GetMonitoredItems", [], bad.BadMethodInvalid),
    ("AcknowledgeableConditionType_Acknowledge", [b""], bad.BadArgumentsMissing),
    ("AcknowledgeableConditionType_Acknowledge", [b"", "x", 1], bad.BadTooManyArguments),
    ("AcknowledgeableConditionType_Acknowledge", [b"", "x"], bad.BadInvalidArgument),
]


@pytest.mark.parametrize(("method", "arguments", "answer"), METHODS)
async def test_no_other_method_is_there(
    clean: Bench, method: str, arguments: list[Any], answer: type[Exception]
) -> None:
    await clean.house.commit(alarmed())
    async with clean.client() as client:
        await until_there(client, f"alarm/{SILENT}/Retain")
        with pytest.raises(answer):
            await call(client, condition_id(), method, *arguments)


async def test_a_request_has_an_end(clean: Bench) -> None:
    async with clean.client() as client:
        with pytest.raises(bad.BadTooManyOperations):
            await client.read_values([client.nodes.server_state] * 1_001)


async def test_what_is_published_rests_in_between(clean: Bench) -> None:
    async with clean.client() as client:
        subscription = await client.create_subscription(0, Alarms(client))
        assert subscription.parameters.RequestedPublishingInterval == 100, "as it was revised"
