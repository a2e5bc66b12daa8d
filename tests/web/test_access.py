"""The journal says who came to the page, left it or was refused, and nobody can fill it so."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Any

import pytest

from poller.edges import commands
from poller.model import limits
from poller.model.events import AccessRefused, Event, SessionChanged
from poller.model.users import FORM, SIGN_IN, SessionHappening
from tests.trials.virtual_loop import VirtualLoop
from tests.web.house import House, sign_in

PEER = "10.0.0.9"
DAY_S = 86_400
IN, OUT, OVER = SessionHappening


def kept(house: House) -> list[Event]:
    kinds = [SessionChanged.kind, AccessRefused.kind]
    return [one.event for one in house.page.behind.journal.history(kinds=kinds)]


def bodies(house: House) -> list[Any]:
    return [event.body for event in kept(house)]


def session(happening: SessionHappening, user: str = "ute") -> SessionChanged:
    return SessionChanged(user=user, happening=happening, address=PEER)


async def test_who_signs_in_and_out_is_told_with_where_from(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute", peer=PEER) as client:
        await client.delete("/api/v1/session")
    assert bodies(house) == [session(IN), session(OUT)]
    assert {event.by for event in kept(house)} == {"ute (page)"}


async def test_a_wrong_password_is_told_with_the_name(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser(peer=PEER) as client:
        await sign_in(client, "ute", "wrong")
    assert bodies(house) == [AccessRefused(what=SIGN_IN, user="ute", address=PEER)]
    assert kept(house)[0].by is None  # whoever it was


async def test_a_name_that_nobody_has_is_not_kept(house: House) -> None:
    """People type their password into the wrong field."""
    house.add("ute", "viewer")
    async with house.browser(peer=PEER) as client:
        await sign_in(client, "cold-tea-at-the-bay", "")
    assert bodies(house) == [AccessRefused(what=SIGN_IN, address=PEER)]


async def test_what_somebody_may_not_do_is_told(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute", peer=PEER) as client:
        await client.post("/api/v1/commands/pause", json={"relay": "q01-main1", "why": "x"})
    assert bodies(house)[1:] == [AccessRefused(what="pause", user="ute", address=PEER)]


async def test_a_form_that_is_not_theirs_is_told(house: House) -> None:
    house.add("ute", "engineer")
    async with house.browser("ute", peer=PEER) as client:
        await client.post("/do/pause", data={"relay": "q01-main1", "why": "x", "form": "guessed"})
    assert bodies(house)[1:] == [AccessRefused(what=FORM, user="ute", address=PEER)]


async def test_where_nobody_is_known_nobody_is_named(house: House) -> None:
    async with house.browser(peer=PEER) as client:
        await client.post("/api/v1/commands/pause", json={"relay": "q01-main1", "why": "x"})
    assert bodies(house) == [AccessRefused(what="pause", address=PEER)]


# Sessions that end by themselves.


async def over(house: House) -> list[Any]:
    await house.page.sessions.sweep()
    return [one for one in bodies(house) if getattr(one, "happening", None) is OVER]


async def test_a_session_whose_time_is_over_is_told(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute", peer=PEER):
        assert await over(house) == []
        house.pass_s(8 * DAY_S)
        assert await over(house) == [session(OVER)]
        assert await over(house) == [session(OVER)]  # once
        assert kept(house)[-1].by is None


async def test_a_session_of_somebody_who_was_removed_is_told(house: House) -> None:
    house.add("ute", "viewer")
    house.add("eve", "viewer")
    async with house.browser("ute", peer=PEER):
        house.decide(commands.command("user_remove", {"user": "ute"}))
        assert await over(house) == [session(OVER)]


# Nobody fills the journal.


async def test_an_attack_is_told_once_and_then_counted(house: House) -> None:
    house.add("ute", "viewer")
    tries = 300
    for at in range(tries):
        async with house.browser(peer=f"10.0.1.{at % 200}") as client:
            await sign_in(client, f"u{at}" if at % 3 else "ute", "wrong")
    assert len(bodies(house)) == limits.PAGE_NOTED_MAX
    house.pass_s(limits.PAGE_NOTED_S)
    await house.page.access.tell()
    assert sum(one.times for one in bodies(house)) == tries
    assert len(bodies(house)) == limits.PAGE_NOTED_MAX + 1
    last = bodies(house)[-1]
    assert (last.user, last.address) == (None, None)  # several


async def test_what_is_counted_of_one_name_from_one_address_says_so(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser(peer=PEER) as client:
        for _ in range(limits.PAGE_NOTED_MAX + 2):
            await sign_in(client, "ute", "wrong")
    begun = house.now
    house.pass_s(limits.PAGE_NOTED_S)
    await house.page.access.tell()
    last = bodies(house)[-1]
    assert (last.user, last.address, last.times) == ("ute", PEER, 2)
    assert last.since <= begun


async def test_strangers_hide_nobody_who_signs_in(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser(peer="10.0.0.10") as client:
        for _ in range(limits.PAGE_NOTED_MAX + 1):
            await sign_in(client, "eve", "wrong")
    async with house.browser("ute", peer=PEER):
        assert bodies(house)[-1] == session(IN)


async def test_after_a_while_it_is_told_one_by_one_again(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser(peer=PEER) as client:
        for _ in range(limits.PAGE_NOTED_MAX):
            await sign_in(client, "eve", "wrong")
        house.pass_s(limits.PAGE_NOTED_S)
        await sign_in(client, "eve", "wrong")
    assert len(bodies(house)) == limits.PAGE_NOTED_MAX + 1


def test_what_was_counted_is_told_by_itself(house: House) -> None:
    """On virtual time: nobody asks for anything any more."""

    async def attack() -> None:
        for _ in range(limits.PAGE_NOTED_MAX + 5):
            await house.page.access.not_signed_in("eve", PEER)
        house.pass_s(limits.PAGE_NOTED_S)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(60):
                await house.page.attend()

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(attack())
    assert bodies(house)[-1].times == 5


async def test_a_journal_that_cant_be_written_keeps_nobody_out(house: House) -> None:
    house.add("ute", "viewer")
    house.failing = "disk full"
    async with house.browser("ute", peer=PEER) as client:
        assert (await client.get("/relays")).status_code == 200
    assert bodies(house) == []


def test_a_disk_that_hangs_keeps_nobody_waiting(house: House) -> None:
    """On virtual time."""
    house.hangs = True

    async def try_it() -> float:
        loop = asyncio.get_running_loop()
        await house.page.access.not_signed_in("eve", PEER)
        return loop.time()

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        begun = runner.get_loop().time()
        assert runner.run(try_it()) - begun <= limits.PAGE_KEPT_S


@pytest.mark.parametrize("path", ["/relays", "/api/v1/relays", "/none"])
async def test_looking_leaves_no_event(house: House, path: str) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute", peer=PEER) as client:
        await client.get(path)
    assert bodies(house) == [session(IN)]
