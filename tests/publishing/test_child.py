"""A process of its own for an output: whatever it does, it is told of, ended and started again."""

from __future__ import annotations

import asyncio
import signal
import sys
from asyncio.subprocess import PIPE
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import pytest
import structlog

from poller.model import limits
from poller.publishing.child import Child, ChildEnded, keep, started
from poller.publishing.parent import Parent
from tests.publishing.world import Running, until

MODULE = "tests.publishing.children"


def gone(pid: int) -> bool:
    """No such process, or only its record is left."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except OSError:
        return True


async def ending(child: Child) -> str:
    """Why it ended, for which nobody waits long."""
    async with asyncio.timeout(10):
        while True:
            try:
                await child.heard()
            except ChildEnded as reason:
                return str(reason)


async def test_messages_go_both_ways_in_order() -> None:
    async with started(MODULE, name="x") as child:
        for number in range(300):
            await child.send({"n": number, "text": "Tüll\n\x1b[2J"})
        got = [(await child.heard())["message"] for _ in range(300)]
    assert got == [str({"n": number, "text": "Tüll\n\x1b[2J"}) for number in range(300)]


async def test_who_is_served_has_a_turn_between_two_messages(tmp_path: Path) -> None:
    """A client that asks while thousands of nodes are made must not give the process up."""
    reader = asyncio.StreamReader()
    reader.feed_data(b"{}\n" * 100)
    reader.feed_eof()
    turns = 0

    async def client() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    with (tmp_path / "said").open("wb") as said:
        async with Running(client()):
            taken = [turns async for _ in Parent(reader, said.fileno()).messages()]
    assert all(later > earlier for earlier, later in pairwise(taken))


async def test_a_message_may_be_as_long_as_its_bound() -> None:
    async with started(MODULE, name="x") as child:
        text = "x" * (limits.CHILD_TOLD_MAX - 100)
        await child.send({"text": text})
        assert (await child.heard())["got"] > len(text)


async def test_what_a_library_prints_is_no_message() -> None:
    with structlog.testing.capture_logs() as logs:
        async with started(MODULE, name="x") as child:
            await child.send({"do": "print"})
            assert "got" in await child.heard()
            await until(lambda: [one for one in logs if one.get("line") == "hello"])


async def test_it_gets_nothing_of_our_environment_but_what_it_needs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("BAYROLL_BROKER_PASSWORD", "otter")
    async with started(MODULE, name="x") as child:
        await child.send({"do": "environment"})
        given = (await child.heard())["environment"]
    assert "PATH" in given
    assert not [key for key in given if "BAYROLL" in key]


ENDS = {
    "die": "ended with status 3: no such address",
    "killed": "ended by signal 9",
    "raise": "ended with status 1: ZeroDivisionError",
    "long line": "more than 65536 octets in a line",
    "no json": r"no message: \x1b[2Jhello",
    "no object": "no message: [1]",
    "deep": "no message: [[[[",
}


@pytest.mark.parametrize(("does", "says"), ENDS.items())
async def test_what_ends_it_is_told(does: str, says: str) -> None:
    async with started(MODULE, name="x") as child:
        await child.send({"do": does})
        assert says in await ending(child)
    assert gone(child.pid)


async def test_one_that_hangs_is_found_out_and_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    async with started(MODULE, name="x") as child:
        await child.send({"do": "hang"})
        assert (await child.heard())["hangs"]
        monkeypatch.setattr(limits, "CHILD_SILENT_S", 0.2)
        assert await ending(child) == "its process said nothing for 0.2 s"
    assert gone(child.pid)


async def test_one_that_takes_nothing_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    async with started(MODULE, name="x") as child:
        await child.send({"do": "hang"})
        assert (await child.heard())["hangs"]
        monkeypatch.setattr(limits, "CHILD_SILENT_S", 0.2)
        with pytest.raises(ChildEnded, match="took nothing"):
            await asyncio.gather(*(child.send({"text": "x" * 100_000}) for _ in range(20)))


async def test_what_it_does_not_take_is_held_once() -> None:
    """However often somebody tries, who is cancelled: cancelled, nothing was sent."""
    async with started(MODULE, name="x") as child:
        await child.send({"do": "hang"})
        assert (await child.heard())["hangs"]
        for _ in range(50):
            task = asyncio.ensure_future(child.send({"text": "x" * 100_000}))
            await asyncio.sleep(0.005)
            task.cancel()
            await asyncio.wait((task,))
        held: Any = child._in.transport
        assert held.get_write_buffer_size() < 300_000


async def test_a_flood_holds_up_nobody() -> None:
    async with started(MODULE, name="x") as child:
        await child.send({"do": "flood"})
        flooded = asyncio.ensure_future(ending(child))
        loop, longest_s = asyncio.get_running_loop(), 0.0
        for _ in range(50):
            before = loop.time()
            await asyncio.sleep(0.01)
            longest_s = max(longest_s, loop.time() - before)
        flooded.cancel()
    assert longest_s < 0.5
    assert gone(child.pid)


async def test_its_complaints_are_bounded_and_can_do_nothing_to_a_terminal() -> None:
    with structlog.testing.capture_logs() as logs:
        async with started(MODULE, name="x") as child:
            await child.send({"do": "complain"})
            assert (await child.heard())["complained"]
            await until(lambda: len(logs) >= limits.CHILD_ERROR_LINES)
    lines = [one["line"] for one in logs if "line" in one]
    assert len(lines) == limits.CHILD_ERROR_LINES
    assert lines[0].startswith(r"\x1b[31m0 xxx")


async def test_one_that_can_not_be_started_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/no/such/python")
    with pytest.raises(ChildEnded, match=r"can't be started: .*No such file"):
        async with started(MODULE, name="x"):
            pass


@pytest.mark.parametrize("ms", range(0, 200, 20))
async def test_a_start_may_be_cancelled_at_any_moment(ms: int) -> None:
    pids = []

    async def start() -> None:
        async with started(MODULE, name="x") as child:
            pids.append(child.pid)
            await child.heard()

    task = asyncio.ensure_future(start())
    await asyncio.sleep(ms / 1_000)
    task.cancel()
    done, _ = await asyncio.wait((task,), timeout=limits.CHILD_GOODBYE_S + 0.9)
    assert done
    assert all(map(gone, pids))


async def test_it_is_started_again_whatever_ended_it() -> None:
    lives: list[int] = []
    whys: list[str] = []

    async def live(child: Child) -> None:
        lives.append(child.pid)
        await child.send({"do": "die"} if len(lives) < 3 else {})
        await child.heard()
        lives.append(0)
        await asyncio.Event().wait()

    async with Running(keep(MODULE, live, name="x", random=Random(7), told=whys.append)):
        await until(lambda: 0 in lives)
    assert len(set(lives)) == 4
    assert whys == ["its process ended with status 3: no such address"] * 2


PARENT = """
import asyncio, os
from poller.publishing.child import started

async def main():
    async with started("tests.publishing.children", name="x") as child:
        await child.send({"do": "hang"})
        await child.heard()
        print(child.pid, flush=True)
        await asyncio.Event().wait()

asyncio.run(main())
"""


async def test_it_goes_with_a_parent_that_is_killed_even_where_it_hangs() -> None:
    parent = await asyncio.create_subprocess_exec(sys.executable, "-c", PARENT, stdout=PIPE)
    assert parent.stdout is not None
    pid = int(await parent.stdout.readline())
    assert not gone(pid)
    parent.send_signal(signal.SIGKILL)
    await parent.wait()
    await until(lambda: gone(pid))
