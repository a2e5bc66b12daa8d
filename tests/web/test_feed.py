"""What a page that stays open is told, and that nobody who is slow costs anything."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, Callable, Coroutine
from datetime import timedelta
from typing import Any

import httpx
import pytest

from poller.model import events as ev
from poller.model import limits
from poller.model.events import Body, Recorded
from poller.model.status import Quality, Status, StatusReading
from poller.model.work import NoteKind
from poller.web.feed import NAMED_MAX, Feed, Full
from tests.answers.alarm_bodies import CAME
from tests.answers.world import NOW, STATE, event, recorded
from tests.trials.virtual_loop import VirtualLoop
from tests.web.house import House, sign_in


def reading(seconds: int = 0, quality: Quality = Quality.GOOD) -> StatusReading:
    return StatusReading(status=Status(), quality=quality, at=NOW + timedelta(seconds=seconds))


def noted(work: str) -> ev.WorkNoted:
    return ev.WorkNoted(work=work, note=NoteKind.REMARK, text="x")


class Bench:
    """A feed on virtual time, from event 100 on."""

    def __init__(self) -> None:
        self.live: dict[str, StatusReading] = {}
        loop = asyncio.get_running_loop()
        self.feed = Feed(live=lambda: dict(self.live), now=lambda: NOW, monotonic=loop.time)
        self.feed.begin(100)
        self.welcome = True
        self._seq = 100

    def tell(self, *bodies: Body, subject: str = "q07-main1") -> None:
        told: list[Recorded] = []
        for body in bodies:
            self._seq += 1
            told.append(recorded(self._seq, event(body, subject=subject)))
        self.feed.tell(told, STATE)

    def stream(self, after: int | None = None) -> AsyncGenerator[bytes, None]:
        return self.feed.stream(after, lambda: self.welcome)


def virtually(work: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    async def run() -> None:
        await work(Bench())

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(run())


def parse(message: bytes) -> dict[str, Any]:
    """By the HTML standard, 9.2.6: fields by line; from memory."""
    lines = message.decode().strip().splitlines()
    told = dict(line.split(": ", 1) for line in lines if line[:1] not in ("", ":"))
    return told | ({"data": json.loads(told["data"])} if "data" in told else {})


async def upto(stream: AsyncGenerator[bytes, None], kind: str) -> dict[str, Any]:
    """The next message of this kind."""
    async for message in stream:
        told = parse(message)
        if told.get("event") == kind:
            return told
    raise AssertionError(f"no message {kind}")


def test_what_moves_is_told_by_name_with_its_number() -> None:
    async def work(bench: Bench) -> None:
        stream = bench.stream()
        await upto(stream, "hello")
        bench.tell(ev.RelayPaused(why="x"), CAME)
        told = await upto(stream, "moved")
        assert told["id"] == "102"
        assert told["data"] == {
            "seq": 102,
            "all": False,
            "relays": ["q07-main1"],
            "alarms": [CAME.alarm],
            "work": [],
            "investigations": [],
        }

    virtually(work)


def test_who_lost_the_stream_is_told_what_moved_meanwhile() -> None:
    async def work(bench: Bench) -> None:
        bench.tell(ev.RelayPaused(why="x"))
        bench.tell(noted("w3"))
        told = await upto(bench.stream(after=101), "moved")
        assert (told["data"]["work"], told["data"]["relays"]) == (["w3"], ["q07-main1"])

    virtually(work)


@pytest.mark.parametrize("after", [0, 99, 100 + limits.PAGE_MOVED_KEPT * 3])
def test_who_comes_from_a_time_that_is_not_known_looks_at_all_anew(after: int) -> None:
    """Before this service began, or of another journal."""

    async def work(bench: Bench) -> None:
        bench.tell(ev.RelayResumed())
        assert (await upto(bench.stream(after=after), "moved"))["data"] == {"seq": 101, "all": True}

    virtually(work)


def test_what_is_remembered_is_bounded() -> None:
    async def work(bench: Bench) -> None:
        bench.tell(*[ev.RelayResumed()] * (limits.PAGE_MOVED_KEPT + 1))
        assert (await upto(bench.stream(after=100), "moved"))["data"]["all"]
        assert not (await upto(bench.stream(after=101), "moved"))["data"]["all"]

    virtually(work)


def test_more_than_is_worth_naming_is_all() -> None:
    async def work(bench: Bench) -> None:
        bench.tell(*[noted(f"w{at}") for at in range(NAMED_MAX + 1)])
        assert (await upto(bench.stream(after=100), "moved"))["data"] == {
            "seq": 100 + NAMED_MAX + 1,
            "all": True,
        }

    virtually(work)


@pytest.mark.parametrize("body", [ev.RelayDelisted(), ev.SiteLoaded(site="x", sha256="", files={})])
def test_another_list_of_relays_is_all(body: Body) -> None:
    async def work(bench: Bench) -> None:
        bench.tell(body)
        assert (await upto(bench.stream(after=100), "moved"))["data"]["all"]

    virtually(work)


def test_readings_are_told_when_there_are_new_ones() -> None:
    async def work(bench: Bench) -> None:
        bench.live = {"a": reading(), "b": reading()}
        stream = bench.stream()
        first = await upto(stream, "read")
        at = int(NOW.timestamp())
        assert first["data"] == {"now": at, "relays": {"a": [at, "good"], "b": [at, "good"]}}
        bench.live = {"a": reading(60), "b": reading(quality=Quality.STALE)}
        again = await upto(stream, "read")
        assert again["data"]["relays"] == {"a": [at + 60, "good"], "b": [at, "stale"]}

    virtually(work)


def test_a_stream_that_has_nothing_to_say_shows_that_it_lives() -> None:
    async def work(bench: Bench) -> None:
        stream = bench.stream()
        await upto(stream, "hello")
        begun = asyncio.get_running_loop().time()
        for _ in range(3):
            assert await anext(stream) == b": still here\n\n"
        assert asyncio.get_running_loop().time() - begun <= 3 * limits.PAGE_READ_S

    virtually(work)


def test_who_may_not_look_any_more_is_told_so_and_the_stream_ends() -> None:
    async def work(bench: Bench) -> None:
        stream = bench.stream()
        await upto(stream, "hello")
        bench.welcome = False
        assert [parse(message)["event"] async for message in stream] == ["ended"]

    virtually(work)


def test_there_are_only_so_many_streams_and_one_that_ends_makes_room() -> None:
    async def work(bench: Bench) -> None:
        streams = [bench.stream() for _ in range(limits.PAGE_STREAMS_MAX)]
        for stream in streams:
            await anext(stream)
        with pytest.raises(Full):
            await anext(bench.stream())
        await streams[0].aclose()
        await anext(bench.stream())

    virtually(work)


def test_who_does_not_read_costs_nothing_and_is_told_all_at_once() -> None:
    async def work(bench: Bench) -> None:
        slow = bench.stream()
        await upto(slow, "hello")
        for at in range(100):
            bench.tell(noted(f"w{at % 5}"))
            await asyncio.sleep(1)
        told = await upto(slow, "moved")
        assert (told["id"], told["data"]["work"]) == ("200", ["w0", "w1", "w2", "w3", "w4"])

    virtually(work)


def test_every_stream_ends_when_the_service_does() -> None:
    async def work(bench: Bench) -> None:
        stream = bench.stream()
        await upto(stream, "hello")
        bench.feed.close()
        assert [message async for message in stream] == []

    virtually(work)


async def first_of(client: httpx.AsyncClient, **more: Any) -> list[bytes]:
    """All that comes until the stream is closed behind it."""
    answer = await client.get("/api/v1/changes", **more)
    assert answer.headers["content-type"].startswith("text/event-stream")
    return answer.content.split(b"\n\n")


async def test_the_header_of_a_lost_stream_counts_before_the_address(house: House) -> None:
    """HTML standard, 9.2.4: Last-Event-ID, from memory."""
    house.add("ute", "viewer")
    head = house.state.seq
    async with house.browser("ute") as client:
        house.page.feed.close()  # so that it ends after its greeting
        told = await first_of(client, params={"after": 1}, headers={"last-event-id": str(head)})
    assert f"id: {head}".encode() in told[1]


async def test_who_did_not_sign_in_hears_nothing(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        assert (await client.get("/api/v1/changes")).status_code == 401
        assert (await sign_in(client, "ute")).status_code == 200
        house.page.feed.close()
        assert len(await first_of(client)) >= 2
