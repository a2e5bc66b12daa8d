"""Users on the page: a security administrator sees to them, and everybody to their own password."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from poller.answers.rights import DOES, rights
from poller.edges.commands import COMMANDS
from poller.model.users import EVIDENCE, LOOK, USERS, Role
from tests.web.house import PASSWORD, House, form_of, sign_in
from tests.web.test_views import Reader

NEW = "nobody-waters-the-fern"
ADD = {"user": "eve", "roles": ["viewer", "auditor"], "password": NEW, "again": NEW}
OTHERS = [role for role in Role if role is not Role.SECURITY_ADMINISTRATOR]


async def send(house: House, act: str, told: dict[str, Any], by: str = "ute") -> httpx.Response:
    """A form of the page, as a browser without a script sends it."""
    async with house.browser(by) as client:
        form = form_of((await client.get("/about")).text)
        return await client.post(f"/users/{act}", data={"form": form} | told)


async def may_sign_in(house: House, user: str, password: str) -> bool:
    async with house.browser() as client:
        return (await sign_in(client, user, password)).status_code == 200


def changed(house: House) -> list[tuple[str, str | None]]:
    found = house.page.behind.journal.history(kinds=["user_changed"])
    return [(one.event.body.happening, one.event.by) for one in found]  # type: ignore[attr-defined]


async def test_every_user_stands_there_with_roles_and_where_they_are(house: House) -> None:
    house.add("ute", "security_administrator")
    house.add("eve", "viewer", "operator")
    async with house.browser("ute") as client, house.browser("eve"):
        page = Reader((await client.get("/users")).text)
    words = " ".join(page.text.split())
    assert "viewer, operator password set" in words
    assert words.count("signed in at 1 place") == 2


async def test_who_has_no_password_is_told_apart(house: House) -> None:
    house.add("ute", "security_administrator")
    house.add("eve", "viewer")
    house.page.behind.passwords.forget("eve")
    async with house.browser("ute") as client:
        assert "no password: can't sign in" in (await client.get("/users")).text


@pytest.mark.parametrize("role", OTHERS)
async def test_it_is_for_security_administrators_alone(house: House, role: Role) -> None:
    house.add("ute", role)
    async with house.browser("ute") as client:
        assert (await client.get("/users")).status_code == 403
        assert 'href="/users"' not in (await client.get("/about")).text
    assert (await send(house, "add", ADD)).status_code == 403
    assert house.asked == []


async def test_where_nobody_is_known_it_is_for_nobody(house: House) -> None:
    async with house.browser() as client:
        assert (await client.get("/users")).status_code == 403
        assert (await client.get("/password")).status_code == 404


async def test_somebody_is_added_and_signs_in(house: House) -> None:
    house.add("ute", "security_administrator")
    answer = await send(house, "add", ADD)
    assert (answer.status_code, answer.headers["location"]) == (303, "/users")
    assert house.state.users["eve"].roles == (Role.VIEWER, Role.AUDITOR)
    assert await may_sign_in(house, "eve", NEW)
    assert changed(house)[-1] == ("added", "ute (page)")
    assert NEW not in str(house.asked)


async def test_other_roles_leave_the_password(house: House) -> None:
    house.add("ute", "security_administrator")
    house.add("eve", "viewer")
    told = {"user": "eve", "roles": ["operator"], "password": "", "again": ""}
    assert (await send(house, "change", told)).status_code == 303
    assert house.state.users["eve"].roles == (Role.OPERATOR,)
    assert await may_sign_in(house, "eve", PASSWORD)


async def test_a_new_password_leaves_the_roles_and_ends_sessions(house: House) -> None:
    house.add("ute", "security_administrator")
    house.add("eve", "viewer")
    async with house.browser("eve") as eve:
        told = {"user": "eve", "roles": ["viewer"], "password": NEW, "again": NEW}
        await send(house, "change", told)
        assert (await eve.get("/api/v1/relays")).status_code == 401
    assert not await may_sign_in(house, "eve", PASSWORD)
    assert await may_sign_in(house, "eve", NEW)
    assert changed(house)[-1] == ("password_changed", "ute (page)")


async def test_who_is_removed_signs_in_no_more(house: House) -> None:
    house.add("ute", "security_administrator")
    house.add("eve", "viewer")
    assert (await send(house, "remove", {"user": "eve"})).status_code == 303
    assert not await may_sign_in(house, "eve", PASSWORD)
    assert house.page.behind.passwords.known() == {"ute"}


REFUSED: dict[str, tuple[str, dict[str, Any], str]] = {
    "a short password": ("add", ADD | {"password": "x", "again": "x"}, "12 to 128 characters"),
    "a long password": ("add", ADD | {"password": "x" * 129, "again": "x" * 129}, "12 to 128"),
    "no password": ("add", ADD | {"password": "", "again": ""}, "needs a password"),
    "two passwords": ("add", ADD | {"again": NEW[::-1]}, "not the same"),
    "no role": ("add", ADD | {"roles": []}, "at least one role"),
    "no name": ("add", ADD | {"user": " "}, "no name for a user"),
    "a hostile name": ("add", ADD | {"user": "<b>\u202e"}, "no name for a user"),
    "somebody there": ("add", ADD | {"user": "ute"}, "there is such a user"),
    "nothing": ("change", {"user": "ute", "roles": ["security_administrator"]}, "nothing would"),
    "nobody": ("change", {"user": "max", "roles": ["viewer"]}, "no such user"),
    "oneself": ("remove", {"user": "ute"}, "nobody takes their own right"),
    "one's own right": ("change", {"user": "ute", "roles": ["viewer"]}, "nobody takes their own"),
}


@pytest.mark.parametrize("case", REFUSED)
async def test_what_is_refused_says_why_and_changes_nothing(house: House, case: str) -> None:
    act, told, says = REFUSED[case]
    house.add("ute", "security_administrator")
    before, hashes = house.state.users, house.page.behind.passwords.known()
    answer = await send(house, act, told)
    assert (answer.status_code, says in Reader(answer.text).text) == (409, True)
    assert (house.state.users, house.page.behind.passwords.known()) == (before, hashes)


@pytest.mark.parametrize("form", ["", "guessed"])
async def test_a_form_that_is_not_theirs_does_nothing(house: House, form: str) -> None:
    house.add("ute", "security_administrator")
    assert (await send(house, "add", ADD | {"form": form})).status_code == 403
    assert house.asked == []


# What a role may, in words.


def test_every_right_has_words_and_none_is_kept_for_one_that_is_gone() -> None:
    assert DOES.keys() == COMMANDS.keys() | {LOOK, EVIDENCE, USERS}


async def test_the_table_says_what_each_role_may(house: House) -> None:
    house.add("ute", "security_administrator")
    async with house.browser("ute") as client:
        text = " ".join(Reader((await client.get("/users")).text).text.split())
    for role in Role:
        assert "; ".join(rights(role)) in text
    assert "acknowledge alarms; shelve alarms" in "; ".join(rights(Role.OPERATOR))
    assert "acknowledge alarms" not in rights(Role.ENGINEER)


# One's own password.


async def own(client: httpx.AsyncClient, **told: str) -> httpx.Response:
    form = form_of((await client.get("/about")).text)
    return await client.post(
        "/password", data={"form": form, "old": PASSWORD, "password": NEW, "again": NEW} | told
    )


@pytest.mark.parametrize("role", Role)
async def test_everybody_changes_their_own_and_stays_signed_in_here(
    house: House, role: Role
) -> None:
    house.add("ute", role)
    async with house.browser("ute") as here, house.browser("ute") as elsewhere:
        answer = await own(here)
        assert (answer.status_code, answer.headers["location"]) == (303, "/password?done=true")
        assert "was changed" in (await here.get("/password?done=true")).text
        assert (await elsewhere.get("/api/v1/relays")).status_code == 401
    assert await may_sign_in(house, "ute", NEW)
    assert not await may_sign_in(house, "ute", PASSWORD)
    assert changed(house)[-1] == ("password_changed", "ute (page)")


OWN_REFUSED = {
    "another's": ({"old": "wrong"}, 403, "this is not your password"),
    "short": ({"password": "x", "again": "x"}, 409, "12 to 128"),
    "two": ({"again": "x"}, 409, "not the same"),
    "none": ({"password": "", "again": ""}, 409, "another than before"),
    "the same": ({"password": PASSWORD, "again": PASSWORD}, 409, "another than before"),
    "another form": ({"form": "guessed"}, 403, "this form is old"),
}


@pytest.mark.parametrize("case", OWN_REFUSED)
async def test_their_own_is_refused_with_why(house: House, case: str) -> None:
    told, status, says = OWN_REFUSED[case]
    house.add("ute", "viewer")
    async with house.browser("ute") as client:
        answer = await own(client, **told)
        assert (answer.status_code, says in answer.text) == (status, True)
    assert await may_sign_in(house, "ute", PASSWORD)


async def test_their_own_can_not_be_guessed_at(house: House) -> None:
    """Whoever finds a screen that is not locked."""
    house.add("ute", "viewer")
    async with house.browser("ute") as client:
        for _ in range(20):
            status = (await own(client, old="wrong")).status_code
    assert status == 429
