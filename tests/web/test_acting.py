"""What people do on the page: who may, what the journal says of it, and what is refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from poller.edges.commands import COMMANDS
from poller.model.users import MAY, Role, may
from poller.web.commands import ABOUT_PEOPLE
from poller.web.views.acts import values
from tests.web.house import House, form_of

PAUSE = {"relay": "q01-main1", "why": "switching"}


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("command", sorted(COMMANDS.keys() - set(ABOUT_PEOPLE)))
async def test_a_command_is_for_its_roles_alone(house: House, command: str, role: Role) -> None:
    house.add("ute", role)
    async with house.browser("ute") as client:
        answer = await client.post(f"/api/v1/commands/{command}", json={})
    assert (answer.status_code == 403) == (not may([role], command))
    assert house.asked == []  # values are missing, so nothing came of it in any case


async def test_where_nobody_is_known_nothing_is_done(house: House) -> None:
    async with house.browser() as client:
        answer = await client.post("/api/v1/commands/pause", json=PAUSE)
        form = await client.post("/do/pause", data=PAUSE)
    assert (answer.status_code, form.status_code, house.asked) == (403, 403, [])


async def test_the_journal_says_who_did_it_and_that_it_was_on_the_page(house: House) -> None:
    house.add("ute", "engineer")
    async with house.browser("ute") as client:
        answer = await client.post("/api/v1/commands/pause", json=PAUSE)
        assert answer.json()["kinds"][0] == "relay_paused"
    [event] = house.page.behind.journal.history(kinds=["relay_paused"])
    assert event.event.by == "ute (page)"


async def test_a_form_does_the_same_and_leads_back(house: House) -> None:
    house.add("ute", "engineer")
    async with house.browser("ute") as client:
        form = form_of((await client.get("/about")).text)
        answer = await client.post("/do/pause", data=PAUSE | {"form": form, "back": "/relays"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/relays")
    assert house.asked == [("pause", PAUSE, "ute (page)")]


async def test_a_form_never_leads_elsewhere(house: House) -> None:
    house.add("ute", "engineer")
    async with house.browser("ute") as client:
        form = form_of((await client.get("/about")).text)
        answer = await client.post(
            "/do/pause", data=PAUSE | {"form": form, "back": "//eve.example"}
        )
        assert answer.headers["location"] == "/"


async def test_a_refusal_is_told_with_its_reason(house: House) -> None:
    house.add("ute", "engineer")
    async with house.browser("ute") as client:
        await client.post("/api/v1/commands/pause", json=PAUSE)
        again = await client.post("/api/v1/commands/pause", json=PAUSE)
        assert (again.status_code, again.json()) == (
            409,
            {"refused": "q01-main1: it is paused already"},
        )
        form = form_of((await client.get("/about")).text)
        page = await client.post("/do/pause", data=PAUSE | {"form": form})
        assert (page.status_code, "it is paused already" in page.text) == (409, True)


async def test_the_commands_own_id_comes_through(house: House) -> None:
    house.add("ute", "engineer")
    async with house.browser("ute") as client:
        await client.post(
            "/api/v1/commands/pause", json=PAUSE, headers={"x-bayroll-command": "number-7"}
        )
    [event] = house.page.behind.journal.history(kinds=["relay_paused"])
    assert event.event.cause == "number-7"


@pytest.mark.parametrize("command", [*ABOUT_PEOPLE, "hello", "reload", "none"])
async def test_no_form_asks_for_anything_else(house: House, command: str) -> None:
    house.add("ute", *Role)
    async with house.browser("ute") as client:
        form = form_of((await client.get("/about")).text)
        answer = await client.post(f"/do/{command}", data={"form": form, "user": "eve"})
    assert (answer.status_code, house.asked) == (404, [])


# Users.


async def test_a_security_administrator_adds_somebody_who_then_signs_in(house: House) -> None:
    house.add("ute", "security_administrator")
    told = {"roles": ["viewer"], "password": "nobody-waters-the-fern"}
    async with house.browser("ute") as client:
        assert (await client.put("/api/v1/users/eve", json=told)).status_code == 200
        assert (await client.get("/api/v1/users")).json()[0] == {"user": "eve", "roles": ["viewer"]}
    async with house.browser() as client:
        answer = await client.post(
            "/api/v1/session", json={"user": "eve", "password": "nobody-waters-the-fern"}
        )
        assert answer.status_code == 200


async def test_no_password_passes_into_a_command(house: House) -> None:
    house.add("ute", "security_administrator")
    told = {"roles": ["viewer"], "password": "nobody-waters-the-fern"}
    async with house.browser("ute") as client:
        await client.put("/api/v1/users/eve", json=told)
    assert "fern" not in str(house.asked)


async def test_a_short_password_adds_nobody(house: House) -> None:
    house.add("ute", "security_administrator")
    async with house.browser("ute") as client:
        answer = await client.put("/api/v1/users/eve", json={"roles": ["viewer"], "password": "x"})
    assert (answer.status_code, house.asked) == (409, [])


async def test_who_is_removed_has_no_hash_left(house: House) -> None:
    house.add("ute", "security_administrator")
    house.add("eve", "viewer")
    async with house.browser("ute") as client:
        assert (await client.delete("/api/v1/users/eve")).status_code == 200
    assert house.page.behind.passwords.known() == {"ute"}


@pytest.mark.parametrize("role", [one for one in Role if "user_add" not in MAY[one]])
async def test_nobody_else_adds_anybody(house: House, role: Role) -> None:
    house.add("ute", role)
    async with house.browser("ute") as client:
        answer = await client.put("/api/v1/users/ute", json={"roles": [*Role]})
    assert (answer.status_code, house.asked) == (403, [])


# Fields of a form.


@dataclass
class Kind:
    one: str
    many: tuple[str, ...]
    keys: dict[str, str]
    maybe: tuple[str, ...] | None = None


FIELDS: list[tuple[dict[str, list[str]], dict[str, Any]]] = [
    ({"one": ["a", "b"]}, {"one": "a"}),
    ({"many": ["a", "b"], "maybe": ["c"]}, {"many": ["a", "b"], "maybe": ["c"]}),
    ({"keys.swRev": ["1"], "keys.a.b.c": ["2"]}, {"keys": {"swRev": "1", "a.b.c": "2"}}),
    ({"none": ["a"]}, {"none": "a"}),  # the command refuses it, and says so
    ({"one": ["a"], "one.x": ["b"]}, {"one": "a"}),
]


@pytest.mark.parametrize(("told", "expected"), FIELDS, ids=str)
def test_fields_become_values(told: dict[str, list[str]], expected: dict[str, Any]) -> None:
    assert values(Kind, told) == expected
