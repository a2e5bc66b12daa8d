"""The outstation as control centres see it: c104's client, in processes of its own."""

from __future__ import annotations

import asyncio
import shutil
import signal
import ssl
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from poller.alarms.point_values import alarms_on
from poller.alarms.points import alarm_number, assigned
from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import AlarmState
from poller.publishing.iec104.output import open_output
from tests.publishing.brokers import HOST, Wire, free_port
from tests.publishing.certificates import SERVER, make_certificate
from tests.publishing.iec104.control_centre import ControlCentre, needs_c104
from tests.publishing.peers import Fast
from tests.publishing.test_outputs import never_held_up
from tests.publishing.world import (
    Q07,
    Q08,
    T0,
    House,
    Running,
    alarmed,
    event,
    listed,
    site,
    until,
)

pytestmark = needs_c104

SITE = site(outputs={"iec104": {}})
FIRST, OVERFLOW = 1_000, 1
PATIENT_S = 60  # on a machine that does much else


class Place:
    """A house whose alarms have points, and an outstation on a port of its own."""

    def __init__(self) -> None:
        self.house = House()
        self.port = free_port()
        self.number = 0

    async def furnish(self) -> None:
        await self.house.commit(listed(Q07), listed(Q08))
        for subject, body in assigned(self.house.durable.state.points, SITE):
            await self.house.commit(event(body, subject))
        for name in (Q07, Q08):
            await self.house.commit(event(ev.RelayAnswering(silent_since=None), name))
        self.house.recorded.clear()

    def output(self, **settings: Any) -> Any:
        context = self.house.context(SITE, name="iec104", port=self.port, **settings)
        return open_output(context)

    def address(self, relay: str, entry: str) -> int:
        number = alarm_number(self.house.durable.state.points, relay, entry)
        assert number is not None
        return FIRST + number

    async def burst(self, count: int) -> list[tuple[int, int, int]]:
        """Changes of two points, each at a time of its own; as a control centre is to hear them."""
        told = []
        for _ in range(count):
            self.number += 1
            relay = (Q07, Q08)[(self.number - 1) // 2 % 2]
            on = self.number % 2
            after = AlarmState.UNACKNOWLEDGED if on else AlarmState.NORMAL
            at = T0 + timedelta(milliseconds=37 * self.number)
            body: Any = alarmed(after, alarm=f"{relay}.silent").body
            before = AlarmState.NORMAL if on else AlarmState.UNACKNOWLEDGED
            moved = ev.Event(at=at, subject=relay, body=replace(body, before=before))
            await self.house.commit(moved)
            told.append((self.address(relay, "silent"), on, round(at.timestamp() * 1_000)))
        return told

    @property
    def points(self) -> list[int]:
        return [OVERFLOW, self.address(Q07, "silent"), self.address(Q08, "silent")]


@pytest.fixture
async def place() -> Place:
    one = Place()
    await one.furnish()
    return one


@asynccontextmanager
async def served(place: Place, *also: Any, **settings: Any) -> AsyncIterator[Any]:
    """Its pump, while it listens."""
    pump = place.house.pump(place.output(**settings), *also)
    async with Running(pump.run()):
        await until(lambda: "listens on" in pump.status()[0].says)
        yield pump


@asynccontextmanager
async def with_one(place: Place, **settings: Any) -> AsyncIterator[tuple[Any, ControlCentre]]:
    async with served(place, **settings) as pump:
        async with ControlCentre(place.port, points=place.points) as centre:
            await centre.there()
            yield pump, centre


# How things stand.


async def test_interrogation_is_answered_with_all_points_without_time(place: Place) -> None:
    await place.house.commit(alarmed(alarm=f"{Q08}.silent"))
    silent = ev.RelaySilent(last_answer_at=T0, reason="no answer")
    await place.house.commit(event(silent, Q07))
    async with with_one(place) as (_, centre):
        await centre.interrogate()
    answers = [(one["type"], one["cause"]) for one in centre.all("asdu") if one["type"] != 70]
    assert answers[0] == (100, 7), "confirmed"
    assert answers[-1] == (100, 10), "terminated"
    assert set(answers[1:-1]) == {(1, 20)}, "single points without time, interrogated by station"
    found = centre.interrogated()
    state = place.house.durable.state
    assert {one for one, point in found.items() if point & 1} == {
        FIRST + number for number in alarms_on(state)
    }
    here = [address for address in found if address != OVERFLOW]
    blocks = {name: FIRST + 64 * state.points.blocks[name][0] for name in (Q07, Q08)}
    assert {one for one in here if found[one] & 0x40} == {
        one for one in here if blocks[Q07] <= one < blocks[Q07] + 64
    }, "not topical: those of the relay that does not answer"
    assert found[OVERFLOW] == 0


async def test_a_control_centre_is_told_once_that_the_outstation_started(place: Place) -> None:
    async with with_one(place) as (_, centre):
        await until(lambda: centre.all("initialized"))
        await centre.leave()
        await centre.do("connect")
        await centre.there()
        await centre.interrogate()
    assert [(one["cause"], one["address"]) for one in centre.all("asdu", type=70)] == [(4, 0)]


# What changes.


async def test_changes_are_told_with_the_time_of_detection(place: Place) -> None:
    async with with_one(place) as (_, centre):
        told = await place.burst(4)
        await until(lambda: len(centre.told()) == 4)
        assert centre.told() == told
        assert {(one["type"], one["cause"]) for one in centre.all("point")} == {(30, 3)}


async def test_an_alarm_is_not_held_up_by_one_that_was_not_confirmed_yet(place: Place) -> None:
    async with served(place) as pump:
        async with ControlCentre(place.port, points=place.points, t2_s=9) as centre:
            await centre.there()
            told = [*await place.burst(1)]
            await until(lambda: centre.told() == told)
            told += await place.burst(1)
            await until(lambda: centre.told() == told)
            assert pump.status()[0].lag == 2, "neither is confirmed, and both arrived"


@pytest.mark.parametrize(("kept", "iv"), [(True, 0), (False, 0x80), (None, 0x80)])
async def test_the_time_is_invalid_while_nothing_keeps_the_clock(
    place: Place, kept: bool | None, iv: int
) -> None:
    place.house.clock_kept = kept
    async with with_one(place) as (_, centre):
        await place.burst(1)
        await until(lambda: centre.all("asdu", type=30))
    octets = bytes.fromhex(centre.all("asdu", type=30)[0]["elements"])
    assert octets[3] == 1, "the point itself is good"
    assert octets[4 + 2] & 0x80 == iv, "CP56Time2a: the octet with the minutes"


# What is refused.

REFUSED = [
    (("set clock",), 103, 7),
    (("counters",), 101, 7),
    (("command", 5_000, "C_SC_NA_1"), 45, 7),
    (("command", 5_001, "C_DC_NA_1"), 46, 7),
    (("command", 5_002, "C_SE_NC_1"), 50, 7),
    (("command", 5_003, "C_SC_TA_1"), 58, 7),
    (("test",), 107, 44),
]


@pytest.mark.parametrize(("request_", "kind", "cause"), REFUSED)
async def test_commands_are_confirmed_negatively(
    place: Place, request_: Sequence[Any], kind: int, cause: int
) -> None:
    async with with_one(place) as (_, centre):
        answer = await centre.ask(*request_, kind=kind, cause=cause)
        assert len(centre.all("asdu", type=kind)) == 1
    assert (answer["negative"], answer["station"]) == (True, 1)


async def test_another_station_is_not_here(place: Place) -> None:
    async with with_one(place) as (_, centre):
        answer = await centre.ask("interrogate", 7, kind=100, cause=46)
    assert (answer["negative"], answer["station"]) == (True, 7)


async def test_every_station_is_this_one_too(place: Place) -> None:
    async with with_one(place) as (_, centre):
        assert await centre.interrogate(65_535)
        assert {one["station"] for one in centre.all("asdu")} == {1}


# None lost, order kept.


async def test_a_burst_arrives_whole_and_in_order_over_lines_that_break(place: Place) -> None:
    """2,000 changes; what was not confirmed comes again with its old time."""
    async with AsyncExitStack() as stack:
        pump = await stack.enter_async_context(served(place))
        wire = await stack.enter_async_context(Wire(place.port))
        centre = ControlCentre(wire.port, points=place.points)
        await stack.enter_async_context(centre)
        await centre.there()
        told: list[tuple[int, int, int]] = []
        for cut_at in (100, 600, 1_100):
            told += await place.burst(500)
            await centre.until(lambda at=cut_at: len(centre.told()) >= at, within_s=PATIENT_S)
            wire.cut()
        told += await place.burst(500)
        await centre.until(lambda: set(centre.told()) == set(told), within_s=PATIENT_S)
        await until(lambda: pump.status()[0].lag == 0, within_s=PATIENT_S)
        heard = centre.told()
    assert wire.connections == 4
    assert list(dict.fromkeys(heard)) == told, "none lost, order kept"
    assert len(heard) - len(told) <= 3 * 12, "at most k of each line that broke came twice"


async def test_changes_wait_for_who_is_away_across_a_restart(place: Place) -> None:
    async with with_one(place) as (_, centre):
        before = await place.burst(2)
        await until(lambda: centre.told() == before)
        await centre.leave()
    async with served(place) as pump:
        told = await place.burst(700)
        await until(lambda: pump.status()[0].lag >= 700)
        assert pump.status()[0].connected is False
    told += await place.burst(1)
    async with with_one(place) as (pump, centre):
        await until(lambda: len(centre.told()) >= len(told), within_s=PATIENT_S)
        assert list(dict.fromkeys(before + centre.told())) == before + told
        await until(lambda: pump.status()[0].lag == 0)


async def test_a_new_control_centre_is_not_told_of_what_was_before_it(place: Place) -> None:
    await place.burst(3)
    async with with_one(place) as (pump, centre):
        assert pump.status()[0].lag == 0
        await centre.interrogate()
        told = await place.burst(1)
        await until(lambda: centre.told())
        assert centre.told() == told


async def test_what_was_lost_is_told_by_the_overflow_point(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "IEC104_BEHIND_MAX", 10)
    async with with_one(place) as (_, centre):
        await centre.leave()
    pump = place.house.pump(place.output(), lag_max=100)
    async with Running(pump.run()):
        told = await place.burst(300)
        await until(lambda: place.house.gaps)
        async with ControlCentre(place.port, points=place.points) as centre:
            await centre.there()
            await until(lambda: len(centre.told()) > 2 and pump.status()[0].lag == 0)
            await until(lambda: centre.told()[-1][0] == OVERFLOW)
    heard = [one[:2] for one in centre.told()]
    assert heard[0] == (OVERFLOW, 1), "before what is left"
    assert heard[-1] == (OVERFLOW, 0), "once that arrived"
    changes = centre.told()[1:-1]
    assert changes == [one for one in told if one in set(changes)], "in order, each once"
    assert changes[-50:] == told[-50:], "what was lost lies before what is newest"
    assert len(changes) < 300


# Groups.


NORTH, SOUTH = "127.0.0.21", "127.0.0.22"
TWO = {"groups": {"north": [NORTH], "south": [SOUTH]}}


@asynccontextmanager
async def from_(host: str, place: Place) -> AsyncIterator[ControlCentre]:
    """A control centre with that address, once it takes what is sent."""
    async with Wire(place.port, host) as wire:
        async with ControlCentre(wire.port, points=place.points) as centre:
            await centre.there()
            yield centre


async def test_each_group_is_told_all(place: Place) -> None:
    async with served(place, **TWO) as pump, from_(NORTH, place) as north:
        async with from_(SOUTH, place) as south:
            told = await place.burst(20)
            await until(lambda: north.told() == told and south.told() == told)
            assert pump.status()[0].connected


async def test_a_group_that_is_away_holds_up_no_other_and_misses_nothing(place: Place) -> None:
    async with served(place, **TWO) as pump, from_(NORTH, place) as north:
        told = await place.burst(1_200)
        await until(lambda: north.told() == told, within_s=PATIENT_S)
        await until(lambda: pump.status()[0].lag == 0)
        assert pump.status()[0].connected is False
        assert "south: no client (none called yet), changes waiting: 1200" in pump.status()[0].says
        await place.burst(1)  # notes are written with a commit
        await until(lambda: pump.status()[0].lag == 0)
    told += await place.burst(1)
    async with served(place, **TWO) as pump, from_(SOUTH, place) as south:
        await until(lambda: len(south.told()) >= 1_202, within_s=PATIENT_S)
        assert south.told()[:1_200] == told[:1_200], "read again from the journal"


async def test_a_group_that_is_away_too_long_is_told_what_it_lost(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "IEC104_WAITING_MAX", 100)
    async with served(place, **TWO) as pump, from_(NORTH, place) as north:
        told = []
        for _ in range(6):
            told += await place.burst(50)
            await until(lambda: len(north.told()) == len(told))  # noqa: B023 - awaited here
        assert north.told() == told
        assert "some were lost" in pump.status()[0].says
        async with from_(SOUTH, place) as south:
            assert (await south.interrogate())[OVERFLOW] == 1
            await until(lambda: south.told()[-1:] and south.told()[-1][:2] == (OVERFLOW, 0))
        assert south.told()[0][:2] == (OVERFLOW, 1)
        assert south.told()[1:-1] == told[-len(south.told()) + 2 :]
        assert not [one for one in north.told() if one[0] == OVERFLOW]


async def test_of_a_group_the_one_that_was_started_last_carries(place: Place) -> None:
    async with served(place) as pump, from_(NORTH, place) as one, from_(SOUTH, place) as other:
        told = await place.burst(5)
        await until(lambda: other.told() == told)
        await other.do("mute")
        await until(lambda: pump.status()[0].connected is False)
        more = await place.burst(5)
        await one.do("mute")
        await one.do("unmute")
        await until(lambda: one.told() == more)
        assert other.told() == told


async def test_what_one_did_not_confirm_the_next_gets(place: Place) -> None:
    async with served(place, t1_s=60) as pump:
        async with Wire(place.port) as wire, ControlCentre(wire.port, points=place.points) as one:
            await one.there()
            wire.stall()
            wire.flow_back()  # it is told, and heard no more
            told = await place.burst(5)
            await until(lambda: one.told() == told)
            assert pump.status()[0].lag == 5
            async with from_(NORTH, place) as other:
                await until(lambda: other.told() == told)
                await until(lambda: pump.status()[0].lag == 0)


# Who may.


async def answered(place: Place, host: str, tls: ssl.SSLContext | None = None) -> bytes:
    """What STARTDT is answered with; nothing: the connection was ended."""
    try:
        reader, writer = await asyncio.open_connection(
            HOST, place.port, local_addr=(host, 0), ssl=tls
        )
        writer.write(bytes.fromhex("680407000000"))
        answer = await reader.read(6)
    except OSError:
        return b""
    writer.transport.abort()
    return answer


CONFIRMED = bytes.fromhex("68040b000000")


async def test_nobody_else_may_connect(place: Place) -> None:
    async with served(place, groups={"north": [NORTH]}):
        assert await answered(place, SOUTH) == b""
        assert await answered(place, NORTH) == CONFIRMED


async def test_no_more_than_so_many_are_connected(place: Place) -> None:
    async with served(place, clients_max=1), from_(NORTH, place) as one:
        assert await answered(place, SOUTH) == b""
        assert await one.interrogate()


TLS = {"ca": "ca.pem", "certificate": "server.pem", "key": "server.key"}


def client_tls(folder: Path, name: str | None) -> ssl.SSLContext:
    tls = ssl.create_default_context(cafile=str(folder / "ca.pem"))
    if name is not None:
        tls.load_cert_chain(str(folder / f"{name}.pem"), str(folder / f"{name}.key"))
    return tls


async def test_over_tls_a_control_centre_is_told_all(place: Place, certified: Path) -> None:
    """Behind a relay: c104's own TLS gives its library no host name, which then verifies nobody."""
    tls = client_tls(certified, "client")
    async with served(place, tls=TLS, folder=str(certified)), Wire(place.port, HOST, tls) as wire:
        async with ControlCentre(wire.port, points=place.points) as centre:
            await centre.there()
            told = await place.burst(3)
            await until(lambda: centre.told() == told)


WHO = [("client", CONFIRMED), ("stranger", b""), (None, b"")]


@pytest.mark.parametrize(("name", "answer"), WHO)
async def test_over_tls_only_who_has_a_certificate_gets_in(
    place: Place, certified: Path, name: str | None, answer: bytes
) -> None:
    async with served(place, tls=TLS, folder=str(certified)):
        assert await answered(place, HOST, client_tls(certified, name)) == answer


@pytest.mark.parametrize("name", ["stranger", "expired", None])
async def test_over_tls_who_was_refused_last_is_told_by_why(
    place: Place, certified: Path, name: str | None
) -> None:
    async with served(place, tls=TLS, folder=str(certified)) as pump:
        await answered(place, HOST, client_tls(certified, name))
        await until(lambda: "refused last: in the handshake of TLS" in pump.status()[0].says)


async def test_who_calls_in_the_clear_is_refused_in_the_handshake(
    place: Place, certified: Path
) -> None:
    async with served(place, tls=TLS, folder=str(certified)) as pump:
        await answered(place, HOST)
        await until(lambda: "refused last: in the handshake of TLS" in pump.status()[0].says)


async def test_who_calls_with_tls_where_there_is_none_is_told(
    place: Place, certified: Path
) -> None:
    async with served(place) as pump:
        await answered(place, HOST, client_tls(certified, "client"))
        await until(lambda: f"main: no client ({HOST}:" in pump.status()[0].says)


async def test_a_renewed_certificate_that_can_not_be_used_is_told(
    place: Place, certified: Path, tmp_path: Path
) -> None:
    shutil.copytree(certified, tmp_path, dirs_exist_ok=True)
    async with served(place, tls=TLS, folder=str(tmp_path)) as pump:
        shutil.copy(tmp_path / "client.key", tmp_path / "server.key")
        await until(lambda: "a renewed certificate can't be used" in pump.status()[0].says)


async def test_a_renewed_certificate_is_taken_and_who_is_connected_stays(
    place: Place, certified: Path, tmp_path: Path
) -> None:
    shutil.copytree(certified, tmp_path, dirs_exist_ok=True)
    tls = client_tls(tmp_path, "client")
    async with served(place, tls=TLS, folder=str(tmp_path)):
        reader, writer = await asyncio.open_connection(HOST, place.port, ssl=tls)
        before = writer.get_extra_info("peercert")["serialNumber"]
        make_certificate(tmp_path, "server", "ca", SERVER)
        async with asyncio.timeout(PATIENT_S):
            while await serial_number(place.port, tls) == before:  # noqa: ASYNC110 - as in until
                await asyncio.sleep(0.1)
        writer.write(bytes.fromhex("680407000000"))
        assert await reader.read(6) == CONFIRMED
        writer.transport.abort()


async def serial_number(port: int, tls: ssl.SSLContext) -> str:
    """Of the certificate that a new connection is shown."""
    _, writer = await asyncio.open_connection(HOST, port, ssl=tls)
    shown: str = writer.get_extra_info("peercert")["serialNumber"]
    writer.transport.abort()
    return shown


# Others are not touched.


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "hangs"])
async def test_a_control_centre_in_trouble_holds_up_nobody(place: Place, number: int) -> None:
    neighbour = Fast()
    async with served(place, neighbour, t1_s=2, t2_s=1) as pump:
        async with ControlCentre(place.port, points=place.points) as centre:
            await centre.there()
            centre.process.send_signal(number)
            async with never_held_up():
                told = await place.burst(1_500)
            seqs = [one.seq for one in place.house.recorded]
            await until(lambda: neighbour.seqs[-len(seqs) :] == seqs)
            await until(lambda: pump.status()[0].connected is False)
            assert pump.status()[0].lag > 0
        async with ControlCentre(place.port, points=place.points) as centre:
            await centre.there()
            await until(lambda: len(centre.told()) >= len(told) - 12, within_s=PATIENT_S)
            await until(lambda: pump.status()[0].lag == 0)
            assert centre.told() == told[-len(centre.told()) :]


async def test_a_port_that_is_taken_is_told_and_tried_again(place: Place) -> None:
    taken = await asyncio.start_server(lambda reader, writer: writer.close(), HOST, place.port)
    pump = place.house.pump(place.output())
    async with Running(pump.run()):
        await until(lambda: "can't be opened" in pump.status()[0].says)
        assert f"{HOST}:{place.port}" in pump.status()[0].says
        taken.close()
        await taken.wait_closed()
        await until(lambda: "listens on" in pump.status()[0].says)
