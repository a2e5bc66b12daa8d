"""The output against a broker that is not ours: what it keeps, what it waits for, what it bears."""

from __future__ import annotations

import asyncio
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from poller.journal.ports import CommitFailed
from poller.model import limits
from poller.model.status import Health
from poller.publishing.sparkplug.node import Dialogue, Kind, Out
from poller.publishing.sparkplug.output import _AskedForBirths, open_output
from tests.publishing.brokers import HOST, Listener
from tests.publishing.peers import Fast
from tests.publishing.sparkplug.checks import bd_seqs
from tests.publishing.sparkplug.lives import (
    NODE,
    Scene,
    command,
    health,
    recorded,
    scene,
    two_relays,
)
from tests.publishing.sparkplug.peer import Said, Session, value_of
from tests.publishing.world import Q07, Q08, T0, House, Running, changed, site, until

SWREV = "Nameplate/swRev"
MS = int(T0.timestamp() * 1_000)


def past(session: Session, device: str = Q07) -> list[tuple[str, Any, int]]:
    """(name, value, s after T0) of historical metrics."""
    return [
        (one["name"], value_of(one), (one["timestamp"] - MS) // 1_000)
        for said in session.of("DDATA")
        if said.device == device
        for one in said.metrics
        if one.get("is_historical")
    ]


def reached(session: Session) -> int:
    """The last Journal/seq."""
    told = [said.values().get("Journal/seq") for said in session.of("NDATA")]
    return max((int(seq) for seq in told if seq is not None), default=0)


# Store and forward.


def test_what_changed_while_nobody_listened_has_its_own_time() -> None:
    """The second session of a life: four changes of one relay, with the broker away."""
    _, second = recorded("5").sessions
    assert past(second) == [
        (SWREV, "4.0", 60),
        ("Status/health", 3, 100),
        ("Status/health", 1, 160),
    ]


def test_what_changed_while_the_primary_host_was_away_is_kept_for_it() -> None:
    second = recorded("host").sessions[1]
    assert past(second) == [("Status/health", 3, 100), ("Status/health", 1, 160)]


async def test_what_was_not_confirmed_comes_again(tmp_path: Path) -> None:
    async with scene(tmp_path) as one:
        await two_relays(one)
        async with one.running():
            await one.told()
            one.tap.stall_back()  # it arrives, and nobody says so
            await one.house.commit(health(Health.ALARM, 100))
            await one.sends(lambda now: reached(now) == 7)
            one.tap.cut()
            one.tap.flow_back()
            await one.told()
        _, second = one.finish().sessions
        assert past(second) == [("Status/health", 3, 100)]


async def test_a_line_that_breaks_in_the_middle_loses_nothing(tmp_path: Path) -> None:
    async with scene(tmp_path) as one:
        await two_relays(one)
        await one.house.commit(*(health(Health(1 + n % 2), n) for n in range(400)))
        async with one.running():
            for octets in (3_000, 9_000, 14_000):
                one.tap.cuts = 0
                one.tap.cut_in(octets)
                await until(lambda: one.tap.cuts > 0)
            await one.told()
        told = [
            at
            for session in one.finish().sessions
            for name, _, at in past(session)
            if name == "Status/health"
        ]
        assert list(dict.fromkeys(told)) == list(range(400))


# bdSeq.


async def test_bd_seq_goes_on_after_a_restart_and_round_after_255(tmp_path: Path) -> None:
    async with scene(tmp_path) as one:
        await two_relays(one)
        await one.house.journal.keep("sparkplug", "bdSeq", "254")
        for _ in range(2):
            one.house.journal = one.house.journal.kill()  # what is not durable is gone
            async with one.running():
                await one.told()
        assert bd_seqs(one.finish()) == [(255, {255}), (0, {0})]


async def test_a_try_that_reached_nobody_takes_no_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "SPARKPLUG_REBIRTH_REST_S", 0.0)
    async with scene(tmp_path) as one:
        await two_relays(one)
        await one.broker.stop()
        one.settings["broker"] = {"host": HOST, "port": one.broker.port}  # no tap, which answers
        async with one.running() as output:
            await until(lambda: "refused" in output.status().says)
            await asyncio.sleep(0.5)
            await one.broker.start()
            await one.told()
            async with Listener(one.broker.port, ("spBv1.0/#",)) as listener:
                listener.client.publish(NODE.format("NCMD"), command(), qos=1)
                await until(lambda: listener.count("NBIRTH/poller"))
        birth = next(said for said in listener.heard if "NBIRTH" in said.topic)
        assert Said(birth.topic, 0, False, birth.payload).values()["bdSeq"] == 0


async def test_a_full_disk_is_no_reason_to_tell_nothing(tmp_path: Path) -> None:
    async def full(*_: object) -> None:
        raise CommitFailed("the disk is full")

    async with scene(tmp_path) as one:
        await two_relays(one)
        one.house.journal.keep = full  # type: ignore[method-assign, assignment]
        async with one.running():
            await one.told()
            one.tap.cut()
            await until(lambda: len(one.tap.sessions) == 2 and one.tap.now.said)
        assert [will for will, _ in bd_seqs(one.finish())] == [0, 1]


@pytest.mark.parametrize("kept", ["", "x", "-1"])
async def test_a_number_that_is_none_begins_anew(kept: str, tmp_path: Path) -> None:
    async with scene(tmp_path) as one:
        await two_relays(one)
        await one.house.journal.keep("sparkplug", "bdSeq", kept)
        async with one.running():
            await one.told()
        assert bd_seqs(one.finish()) == [(0, {0})]


# The will.


async def test_a_connection_that_is_cut_has_its_death_told(tmp_path: Path) -> None:
    async with scene(tmp_path) as one:
        await two_relays(one)
        async with one.running():
            await one.told()
            one.tap.hold()
            await until(lambda: one.listener.count(NODE.format("NDEATH")) == 1)
            assert one.tap.now.of("NDEATH") == []


# Requests for births.


async def test_however_often_births_are_asked_for_they_have_their_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "SPARKPLUG_REBIRTH_REST_S", 0.6)
    async with scene(tmp_path) as one:
        await two_relays(one)
        async with one.running():
            await one.told()
            began = asyncio.get_running_loop().time()
            while asyncio.get_running_loop().time() < began + 2:
                one.send(NODE.format("NCMD"), command())
                await asyncio.sleep(0.02)
            births = len(one.tap.now.of("NBIRTH"))
            assert 2 <= births <= 5
            await one.commit(changed("2.0"))  # and data goes on


async def test_data_stops_at_once_where_births_are_asked_for() -> None:
    output = open_output(House().context(site({"host": HOST}), name="sparkplug"))
    said: list[str] = []

    class Line:
        packet_max = None

        async def publish(self, topic: str, *_: object, **more: object) -> None:
            said.append(topic)
            output._asked = True

    def much() -> Dialogue:
        for relay in (Q07, Q08):
            yield Out(kind=Kind.DATA, device=relay)

    with pytest.raises(_AskedForBirths):
        await output._tell(Line(), much())  # type: ignore[arg-type]
    assert said == [f"{NODE.format('DDATA')}/{Q07}"]


# What is longer than the broker takes. Mosquitto says so in its CONNACK.


def takes(octets: int) -> str:
    return f"allow_anonymous true\nmax_packet_size {octets + limits.MQTT_OVERHEAD_BYTES}"


async def test_a_relay_whose_birth_is_too_long_is_told_of_and_left_out(tmp_path: Path) -> None:
    async with scene(tmp_path, mosquitto=takes(2_000)) as one:
        await two_relays(one)
        with capture_logs() as logs:
            async with one.running():
                await one.told()
                await one.commit(health(Health.ALARM, 1), changed("2.0"))
                assert {said.verb for said in one.tap.now.said} == {"NBIRTH", "NDATA"}
        topics = {log.get("topic") for log in logs if log["event"] == "too long for the broker"}
        assert topics == {f"{NODE.format('DBIRTH')}/{relay}" for relay in (Q07, Q08)}


async def test_too_much_data_goes_in_parts(tmp_path: Path) -> None:
    async with scene(tmp_path, mosquitto=takes(4_200)) as one:
        await two_relays(one)
        long = [changed(f"{number:0250}") for number in range(40)]
        await one.house.commit(*long)
        async with one.running():
            await one.told()
        session = one.finish().first
        assert max(len(said.payload) for said in session.said) <= 4_200
        versions = [value for name, value, _ in past(session) if name == SWREV]
        assert [int(value) for value in versions[1:]] == list(range(40))


async def test_a_node_whose_birth_is_too_long_says_so(tmp_path: Path) -> None:
    async with scene(tmp_path, mosquitto=takes(300)) as one:
        await two_relays(one)
        async with one.running() as output:
            await until(lambda: "longer" in output.status().says)
            assert output.status().connected is False
            assert "NBIRTH" in output.status().says


# Others.


def test_without_protobuf_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    module = "poller.publishing.sparkplug.payload"
    monkeypatch.delitem(sys.modules, module)
    monkeypatch.setitem(sys.modules, "google.protobuf", None)
    with pytest.raises(ImportError, match=r"install bayroll\[sparkplug\]"):
        import_module(module)


async def trouble(one: Scene, kind: str) -> None:
    if kind == "away":
        await one.broker.stop()
    if kind in ("stalled", "away"):
        one.tap.stall()


@pytest.mark.parametrize("kind", ["away", "stalled", "its host is away"])
async def test_a_peer_in_trouble_holds_up_nobody_else(kind: str, tmp_path: Path) -> None:
    more = {"primary_host": "control"} if kind == "its host is away" else {}
    async with scene(tmp_path, **more) as one:
        await two_relays(one)
        neighbour = Fast()
        pump = one.house.pump(one.output(), neighbour)
        async with Running(pump.run()):
            await trouble(one, kind)
            for number in range(50):
                await one.house.commit(*(health(Health(1 + n % 2), n) for n in range(20)))
                await asyncio.sleep(0.01 if number else 0.2)
            await until(lambda: neighbour.seqs == [own.seq for own in one.house.recorded])
            assert pump.status()[0].lag > 0


async def test_data_may_name_its_types(tmp_path: Path) -> None:
    async with scene(tmp_path, typed_data=True) as one:
        await two_relays(one)
        async with one.running():
            await one.told()
        data = [one for said in one.finish().data() for one in said.metrics]
        assert data
        assert all("datatype" in one for one in data)


async def test_group_and_node_are_as_the_site_names_them(tmp_path: Path) -> None:
    async with scene(tmp_path, group="north", node="poller-2") as one:
        await two_relays(one)
        async with one.running():
            await one.told()
        session = one.finish().first
        assert {tuple(said.levels[1:4:2]) for said in session.said} == {("north", "poller-2")}
        assert session.subscribed == [("spBv1.0/north/NCMD/poller-2", 1)]
