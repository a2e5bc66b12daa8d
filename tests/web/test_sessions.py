"""Signing in: who gets a session, how it ends, and how little guessing helps."""

from __future__ import annotations

import httpx
import pytest
from argon2 import Parameters, Type, extract_parameters
from argon2.profiles import RFC_9106_LOW_MEMORY

from poller.edges import commands
from poller.model import limits
from poller.site.settings import Page as Settings
from poller.site.settings import PageTls
from poller.web.passwords import HASHER
from tests.web.house import PASSWORD, House, form_of, sign_in

DAY_S = 86_400


async def looks(client: httpx.AsyncClient) -> bool:
    return (await client.get("/api/v1/relays")).status_code == 200


async def test_where_nobody_is_known_anybody_looks(house: House) -> None:
    async with house.browser() as client:
        assert await looks(client)


async def test_where_somebody_is_known_who_did_not_sign_in_sees_nothing(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        answer = await client.get("/api/v1/relays")
        assert (answer.status_code, answer.json()) == (401, {"refused": "sign in first"})
        page = await client.get("/relays")
        assert (page.status_code, page.headers["location"]) == (303, "/sign-in?to=/relays")


async def test_who_signs_in_is_let_in(house: House) -> None:
    house.add("ute", "operator")
    async with house.browser() as client:
        answer = await sign_in(client, " Ute ")  # a name is one person however it is typed
        assert answer.json()["user"] == "ute"
        assert answer.json()["roles"] == ["operator"]
        assert await looks(client)


@pytest.mark.parametrize(("user", "password"), [("ute", "wrong"), ("eve", PASSWORD), ("", "")])
async def test_a_wrong_name_and_a_wrong_password_say_the_same(
    house: House, user: str, password: str
) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        answer = await sign_in(client, user, password)
        assert answer.status_code == 403
        assert answer.json()["refused"] == "this name and this password do not go together"
        assert "set-cookie" not in answer.headers


async def test_a_hash_without_a_user_in_the_journal_lets_nobody_in(house: House) -> None:
    house.add("ute", "viewer")
    house.page.behind.passwords.set("eve", PASSWORD)
    async with house.browser() as client:
        assert (await sign_in(client, "eve")).status_code == 403


# Cookies. RFC 6265bis, 4.1.2 and 4.1.3.2, from memory.


async def test_the_cookie_is_for_the_server_alone(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        cookie = (await sign_in(client, "ute")).headers["set-cookie"]
    parts = {part.strip().lower() for part in cookie.split(";")[1:]}
    assert cookie.startswith("bayroll-8420=")
    assert {"httponly", "samesite=strict", "path=/"} <= parts
    assert "secure" not in parts


async def test_under_tls_the_cookie_never_goes_out_without_it(house: House) -> None:
    house.settings = Settings(tls=PageTls(certificate="c", key="k"))
    house.add("ute", "viewer")
    async with house.browser(base="https://127.0.0.1:8420") as client:
        cookie = (await sign_in(client, "ute")).headers["set-cookie"]
    parts = {part.strip().lower() for part in cookie.split(";")[1:]}
    assert cookie.startswith("__Host-bayroll-8420=")
    assert {"secure", "httponly", "path=/"} <= parts
    assert not any(part.startswith("domain") for part in parts)


async def test_nothing_that_is_kept_is_what_a_cookie_says(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute") as client:
        [token] = [cookie.value for cookie in client.cookies.jar]
    assert token is not None
    assert token not in repr(house.page.sessions.__dict__)


# How a session ends.


async def test_it_ends_when_the_person_signs_out(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute") as client:
        cookies = dict(client.cookies)
        assert (await client.delete("/api/v1/session")).status_code == 204
        client.cookies.update(cookies)  # somebody who kept the cookie
        assert not await looks(client)


async def test_it_ends_when_the_person_is_removed(house: House) -> None:
    house.add("ute", "viewer")
    house.add("eve", "viewer")
    async with house.browser("ute") as client:
        house.decide(commands.command("user_remove", {"user": "ute"}))
        assert not await looks(client)


async def test_it_ends_with_a_new_password(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute") as client:
        house.decide(commands.command("user_change", {"user": "ute", "password": True}))
        assert not await looks(client)


async def test_other_roles_hold_at_once(house: House) -> None:
    house.add("ute", "security_administrator")
    async with house.browser("ute") as client:
        assert (await client.get("/api/v1/users")).status_code == 200
        house.decide(commands.command("user_change", {"user": "ute", "roles": ["viewer"]}))
        assert (await client.get("/api/v1/users")).status_code == 403


async def test_it_ends_with_its_time(house: House) -> None:
    house.settings = Settings(session_h=24)
    house.add("ute", "viewer")
    async with house.browser("ute") as client:
        house.pass_s(DAY_S - 1)
        assert await looks(client)
        house.pass_s(1)
        assert not await looks(client)


async def test_who_may_act_signs_in_again_after_half_an_hour_without_a_hand(house: House) -> None:
    house.add("ute", "operator")
    async with house.browser("ute") as client:
        for _ in range(3):
            house.pass_s(limits.PAGE_ACTING_IDLE_S - 1)
            assert await looks(client)
        house.pass_s(limits.PAGE_ACTING_IDLE_S)
        assert not await looks(client)


async def test_what_a_timer_asks_is_no_hand(house: House) -> None:
    house.add("ute", "operator")
    async with house.browser("ute") as client:
        house.pass_s(limits.PAGE_ACTING_IDLE_S / 2)
        await client.get("/stand", headers={"x-bayroll-live": "1"})
        house.pass_s(limits.PAGE_ACTING_IDLE_S / 2)
        assert not await looks(client)


async def test_a_ninth_place_ends_the_first(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute") as first:
        for _ in range(limits.PAGE_SESSIONS_OF_ONE_MAX):
            async with house.browser("ute"):
                pass
        assert not await looks(first)
    assert len(house.page.sessions) == limits.PAGE_SESSIONS_OF_ONE_MAX


async def test_there_are_only_so_many(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "PAGE_SESSIONS_MAX", 1)
    house.add("ute", "viewer")
    house.add("eve", "viewer")
    async with house.browser("ute"), house.browser() as other:
        answer = await sign_in(other, "eve")
        assert (answer.status_code, "as many people" in answer.json()["refused"]) == (403, True)


# Guessing.


def test_hashes_are_made_as_the_standard_says() -> None:
    """RFC 9106, section 4, second recommended option; the library's own and from memory."""
    made = Parameters(
        type=Type.ID,
        version=19,
        salt_len=16,
        hash_len=32,
        time_cost=3,
        memory_cost=2**16,
        parallelism=4,
    )
    assert made == RFC_9106_LOW_MEMORY
    assert extract_parameters(HASHER.hash(PASSWORD)) == made


async def guess(house: House, times: int, user: str = "ute", peer: str = "10.0.0.9") -> int:
    """The status of the last try."""
    async with house.browser(peer=peer) as client:
        for at in range(times):
            status = (await sign_in(client, user, f"wrong-password-{at}")).status_code
    return status


async def test_after_so_many_tries_at_a_name_none_is_heard(house: House) -> None:
    house.add("ute", "viewer")
    assert await guess(house, limits.PAGE_TRIES_OF_NAME_MAX) == 403
    async with house.browser() as client:
        answer = await sign_in(client, "ute")
        assert answer.status_code == 429
        assert 1 <= int(answer.headers["retry-after"]) <= limits.PAGE_TRIES_S + 1
        house.pass_s(limits.PAGE_TRIES_S + 1)
        assert (await sign_in(client, "ute")).status_code == 200


async def test_after_so_many_tries_from_an_address_none_is_heard_from_there(house: House) -> None:
    house.add("ute", "viewer")
    for at in range(limits.PAGE_TRIES_OF_ADDRESS_MAX):
        assert await guess(house, 1, user=f"u{at}") == 403
    assert await guess(house, 1, user="ute") == 429
    async with house.browser(peer="10.0.0.10") as client:
        assert (await sign_in(client, "ute")).status_code == 200


async def test_a_right_password_is_no_try(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        for _ in range(limits.PAGE_TRIES_OF_NAME_MAX + 1):
            assert (await sign_in(client, "ute")).status_code == 200


async def test_tries_are_remembered_of_so_many_only(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "PAGE_TRIED_MAX", 10)
    house.add("ute", "viewer")
    for at in range(20):
        await guess(house, 1, user=f"u{at}", peer=f"10.0.1.{at}")
    assert len(house.page.sessions._tries._times) == 10


# The form.


async def test_the_form_signs_in_and_leads_back(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        answer = await client.post(
            "/sign-in", data={"user": "ute", "password": PASSWORD, "to": "/alarms"}
        )
        assert (answer.status_code, answer.headers["location"]) == (303, "/alarms")
        assert await looks(client)


@pytest.mark.parametrize("to", ["//eve.example/", "https://eve.example/", "/\\eve.example", "x"])
async def test_the_form_leads_nowhere_else(house: House, to: str) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        answer = await client.post("/sign-in", data={"user": "ute", "password": PASSWORD, "to": to})
        assert answer.headers["location"] == "/"


async def test_the_form_says_what_was_wrong_and_keeps_the_name(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        answer = await client.post("/sign-in", data={"user": '"><b>', "password": "x"})
        assert answer.status_code == 403
        assert "do not go together" in answer.text
        assert "&#34;&gt;&lt;b&gt;" in answer.text


async def test_signing_out_needs_the_form_of_this_session(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute") as client:
        form = form_of((await client.get("/about")).text)
        assert (await client.post("/sign-out", data={"form": "guessed"})).status_code == 403
        assert await looks(client)
        assert (await client.post("/sign-out", data={"form": form})).status_code == 303
        assert not await looks(client)
