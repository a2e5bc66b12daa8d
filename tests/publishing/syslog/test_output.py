"""Syslog as rsyslogd receives it; and on virtual time, how the journal's head and slow receivers
are dealt with. What holds for every output stands in test_outputs.py.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from poller.answers.sentences import sentence
from poller.journal import Broken, Verified
from poller.journal.chain import row, verify
from poller.journal.ports import Head
from poller.model import events as ev
from poller.model import limits
from poller.model.alarms import Audience
from poller.model.canonical import stamp
from poller.publishing.port import Pump
from poller.publishing.syslog.output import SyslogOutput, open_output
from tests.publishing.brokers import HOST, free_port
from tests.publishing.peers import told
from tests.publishing.syslog.collectors import Rsyslog
from tests.publishing.syslog.rfc5424 import BOM, parse
from tests.publishing.world import T0, House, Running, alarmed, changed, event, listed, site, until
from tests.trials.virtual_loop import run

HOSTILE = 'a"b]c\\d=[x@1 y="z"]\r\n\x00\x1b[2J\u202eé\U0001f525'
SECURITY = (Audience.OPERATOR_ALARM, Audience.SECURITY_EVENT)


@pytest.fixture
async def house() -> House:
    one = House()
    await one.commit(listed())
    return one


@pytest.fixture(params=["udp", "tls"])
async def rsyslog(
    request: pytest.FixtureRequest, tmp_path: Path, certified: Path
) -> AsyncIterator[Rsyslog]:
    one = Rsyslog(tmp_path, request.param, certified)
    await one.start()
    yield one
    await one.stop()


over_tls = pytest.mark.parametrize("rsyslog", ["tls"], indirect=True)


def output(house: House, at: Rsyslog, keys: Path, **more: Any) -> SyslogOutput:
    tls = {} if at.transport == "udp" else {"tls": {"ca": "ca.pem"}}
    settings = {"transport": at.transport, "host": HOST, "port": at.port, **tls, **more}
    return open_output(
        house.context(site(), name="syslog", folder=str(keys), retry_cap_s=0.2, **settings)
    )


# What arrives.


async def test_a_receiver_reads_every_field(
    house: House, rsyslog: Rsyslog, certified: Path
) -> None:
    await house.commit(
        event(ev.ServiceStarted(version="0.1.0"), ""),
        changed("2.0"),
        alarmed(audience=SECURITY),
        replace(event(ev.RelayPaused(why=HOSTILE)), by=HOSTILE),
    )
    syslog = output(house, rsyslog, certified, facility=10, enterprise=4_711)
    async with Running(house.pump(syslog).run()):
        await until(lambda: len(rsyslog.got()) == 4)
    got = rsyslog.got()
    # facility 10; the alarm is of low priority
    assert [one.pri - 80 for one in got] == [5, 4, 4, 5]
    assert {(one.hostname, one.app, one.procid, one.version, one.at) for one in got} == {
        (socket.gethostname(), "bayroll", str(os.getpid()), "1", stamp(T0))
    }
    assert [one.data["meta"]["sequenceId"] for one in got] == ["1", "2", "3", "4"]
    for one, recorded in zip(got, house.recorded[1:], strict=True):
        assert one.msgid == recorded.event.body.kind
        assert one.msg == BOM + sentence(recorded.event, house.durable.state)
        own = one.data["bayroll@4711"]
        assert (own["id"], own["seq"], own["hash"]) == (
            recorded.id,
            str(recorded.seq),
            recorded.hash,
        )


async def test_what_is_not_told_passes_while_nobody_listens(house: House) -> None:
    context = house.context(site(), name="syslog", transport="udp", host=HOST, port=free_port())
    pump = house.pump(open_output(context))
    async with Running(pump.run()):
        await until(lambda: "nobody listens there" in pump.status()[0].says)
        await until(lambda: pump.status()[0].lag == 0)
        await house.commit(told(1))
        await until(lambda: pump.status()[0].lag == 1)


async def test_long_messages_lose_the_end_of_their_text(
    house: House, rsyslog: Rsyslog, certified: Path
) -> None:
    await house.commit(replace(event(ev.RelayPaused(why="\U0001f525" * 255)), by="J. Kral"))
    async with Running(house.pump(output(house, rsyslog, certified, octets_max=480)).run()):
        await until(lambda: rsyslog.got())
    (got,) = rsyslog.got()
    assert got.msg.endswith("…")
    assert got.own["id"] == house.ids[-1]


# The head of the journal.


async def test_a_head_that_was_told_shows_that_a_tail_was_cut_off(
    house: House, rsyslog: Rsyslog, certified: Path
) -> None:
    await house.commit(*map(told, range(5)))
    async with Running(house.pump(output(house, rsyslog, certified)).run()):
        await until(lambda: rsyslog.heads())
    own = rsyslog.heads()[-1].own
    head = Head(seq=int(own["seq"]), hash=own["hash"])
    rows = [row(one) for one in house.recorded]
    assert isinstance(verify(rows, head), Verified)
    assert isinstance(verify(rows[:-1], head), Broken)


# TLS.

CERTIFICATE = {"certificate": "client.pem", "key": "client.key"}
STRANGER = {"certificate": "stranger.pem", "key": "stranger.key"}
EXPIRED = {"certificate": "expired.pem", "key": "expired.key"}
WRONG = [
    ({"ca": "other-ca.pem"}, HOST, "certificate verify failed"),
    ({"ca": "ca.pem", **CERTIFICATE}, "localhost", "certificate verify failed"),  # not its name
    ({"ca": "ca.pem"}, HOST, "it does not take our certificate"),
    ({"ca": "ca.pem", **STRANGER}, HOST, "unknown ca"),
    ({"ca": "ca.pem", **EXPIRED}, HOST, "certificate expired"),
]


@pytest.fixture
async def strict(tmp_path: Path, certified: Path) -> AsyncIterator[Rsyslog]:
    """One that asks for a certificate of its own authority's."""
    one = Rsyslog(tmp_path, "tls", certified, auth="x509/certvalid")
    await one.start()
    yield one
    await one.stop()


@pytest.mark.parametrize(("tls", "host", "words"), WRONG)
async def test_what_is_wrong_with_a_certificate_is_told_once_and_nothing_is_sent(
    house: House, strict: Rsyslog, certified: Path, tls: Any, host: str, words: str
) -> None:
    await house.commit(told(1))
    with capture_logs() as logs:
        pump = house.pump(output(house, strict, certified, tls=tls, host=host))
        async with Running(pump.run()) as running:
            await until(lambda: words in pump.status()[0].says)
            await asyncio.sleep(1)  # several tries more
            assert not running.done()
            assert (pump.status()[0].connected, pump.status()[0].lag) == (False, 2)
    assert [one["event"] for one in logs] == ["output away"]
    assert strict.everything() == []


async def test_with_a_certificate_that_is_asked_for_events_arrive(
    house: House, strict: Rsyslog, certified: Path
) -> None:
    await house.commit(told(1))
    tls = {"ca": "ca.pem", **CERTIFICATE}
    async with Running(house.pump(output(house, strict, certified, tls=tls)).run()):
        await until(lambda: strict.ids() == house.ids[1:])


@over_tls
async def test_what_a_receiver_had_not_read_when_it_died_is_told_again(
    house: House, rsyslog: Rsyslog, certified: Path
) -> None:
    pump = house.pump(output(house, rsyslog, certified))
    async with Running(pump.run()):
        await until(lambda: pump.status()[0].connected and pump.status()[0].lag == 0)
        await rsyslog.hang()
        await house.commit(*map(told, range(20)))
        await asyncio.sleep(0.3)  # its computer has them all by now
        assert pump.status()[0].lag == 20
        await rsyslog.kill()
        await rsyslog.start()
        await until(lambda: rsyslog.ids() == house.ids[1:])


@over_tls
async def test_a_receiver_that_restarts_between_two_events_misses_none(
    house: House, rsyslog: Rsyslog, certified: Path
) -> None:
    pump = house.pump(output(house, rsyslog, certified))
    async with Running(pump.run()):
        for number in range(3):
            await until(lambda: pump.status()[0].lag == 0)
            await rsyslog.stop()
            await rsyslog.start()
            await house.commit(told(number))
            await until(lambda: rsyslog.ids() == house.ids[1:])


@over_tls
async def test_a_receiver_that_hangs_is_told_of_and_gets_everything_later(
    house: House, rsyslog: Rsyslog, certified: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("SYSLOG_CONNECT_S", "SYSLOG_TAKE_S"):
        monkeypatch.setattr(limits, name, 0.5)
    pump = house.pump(output(house, rsyslog, certified))
    async with Running(pump.run()):
        await until(lambda: pump.status()[0].connected)
        await rsyslog.hang()
        await house.commit(*map(told, range(20)))
        await until(lambda: pump.status()[0].connected is False)
        assert "within 0.5 s" in pump.status()[0].says
        rsyslog.go_on()
        await until(lambda: pump.status()[0].lag == 0)
        # of the lot that was given up it may keep any part, before or after the one sent again
        await until(lambda: set(rsyslog.ids()) == set(house.ids[1:]))


# On virtual time, with a line that a test makes.


@dataclass
class Made:
    """Takes what it is sent, each message in each_s. taken: with when the whole lot was."""

    each_s: float = 0.0
    ends_after_s: float | None = None
    lots: list[int] = field(default_factory=list)
    taken: list[tuple[float, bytes]] = field(default_factory=list)
    opened: int = 0

    async def open(self) -> Made:
        self.opened += 1
        return self

    async def ended(self) -> None:
        if self.ends_after_s is None:
            await asyncio.Event().wait()
        else:
            await asyncio.sleep(self.ends_after_s)

    async def send(self, messages: Iterable[bytes]) -> None:
        lot = []
        for message in messages:
            await asyncio.sleep(self.each_s)
            lot.append(message)
        self.lots.append(len(lot))
        now = asyncio.get_running_loop().time()
        self.taken += [(now, one) for one in lot]

    def close(self) -> None:
        pass

    def ids(self) -> list[str]:
        found = [parse(one).data["bayroll@32473"] for _, one in self.taken]
        return [own["id"] for own in found if "id" in own]

    def heads_at(self) -> list[float]:
        return [at for at, one in self.taken if parse(one).msgid == "journal_head"]


def played(line: Made, play: Callable[[House, Pump], Any]) -> House:
    """Runs a story beside an output with such a line."""

    async def main() -> House:
        house = House()
        syslog = open_output(house.context(site(), name="syslog", transport="udp", host=HOST))
        syslog._open = line.open  # type: ignore[method-assign]
        await house.commit(listed())
        pump = house.pump(syslog)
        async with Running(pump.run()):
            await play(house, pump)
        return house

    found: House = run(main())
    return found


def test_a_head_is_told_at_the_start_and_every_hour() -> None:
    line = Made()
    played(line, lambda house, pump: asyncio.sleep(3 * limits.SYSLOG_HEAD_S + 60))
    assert line.heads_at() == pytest.approx([0, 3_600, 7_200, 10_800], abs=1)


def test_a_head_is_told_after_every_thousand_events() -> None:
    async def play(house: House, pump: Pump) -> None:
        for number in range(3_000):
            await house.commit(event(ev.RelaySeen(day="2026-03-01", reads_before=number)))
            await asyncio.sleep(0.1)

    line = Made()
    played(line, play)
    assert len(line.heads_at()) == 1 + 2  # the thousandth, counted from the first head, and so on


def test_who_takes_few_at_a_time_gets_few_at_a_time() -> None:
    """500 at one a second would never be there within a minute; nothing is lost or doubled."""

    async def play(house: House, pump: Pump) -> None:
        await house.commit(*map(told, range(500)))
        await asyncio.sleep(3_600)

    line = Made(each_s=1.0)
    house = played(line, play)
    assert line.ids() == house.ids[1:]
    assert max(line.lots) * line.each_s < limits.SYSLOG_TAKE_S


def test_a_receiver_that_takes_nothing_is_thought_away_after_a_minute() -> None:
    async def play(house: House, pump: Pump) -> None:
        await asyncio.sleep(limits.SYSLOG_TAKE_S - 1)
        assert "did not take in" not in pump.status()[0].says
        await asyncio.sleep(2)
        assert "did not take in all within 60 s" in pump.status()[0].says
        assert pump.status()[0].connected is False

    played(Made(each_s=3_600), play)


def test_a_receiver_that_ends_idle_lines_is_called_again_and_not_thought_away() -> None:
    async def play(house: House, pump: Pump) -> None:
        await asyncio.sleep(1)  # it has connected
        with capture_logs() as logs:
            await asyncio.sleep(1_800)
        assert not logs

    line = Made(ends_after_s=60)
    played(line, play)
    assert 1_800 / 90 <= line.opened <= 1_800 / 60 + 2


def test_an_event_does_not_wait_for_a_line_that_was_ended_while_idle() -> None:
    async def play(house: House, pump: Pump) -> None:
        for number in range(100):
            await asyncio.sleep(17)
            await house.commit(told(number))
            await asyncio.sleep(0.1)
            assert line.ids() == house.ids[1:]

    line = Made(ends_after_s=5)
    played(line, play)


def test_a_receiver_that_always_ends_the_line_is_not_called_without_rest() -> None:
    async def play(house: House, pump: Pump) -> None:
        await house.commit(told(1))
        await asyncio.sleep(600)
        assert pump.status()[0].connected is False

    line = Made(ends_after_s=0)
    played(line, play)
    assert line.opened < 600 / limits.OUTPUT_RETRY_CAP_S * 3
