"""What is said in a browser where something is not there or not allowed; programs get a line."""

from __future__ import annotations

from typing import Final

import pytest

from poller.model.users import MAY, Role, who_may
from tests.web.house import House

BROWSER: Final = {"accept": "text/html,application/xhtml+xml;q=0.9,*/*;q=0.8"}
FRAME: Final = ('<nav aria-label="Views">', '<a href="/">To the relays</a>')
NOTHING: Final = "/%3Cscript%3E"


async def test_what_is_not_there_has_the_frame_and_a_way_back(house: House) -> None:
    async with house.browser() as client:
        answer = await client.get(NOTHING, headers=BROWSER)
    assert answer.status_code == 404
    assert all(part in answer.text for part in (*FRAME, "There is nothing at this address."))
    assert "<script>" not in answer.text


async def test_who_may_not_is_told_which_role_may(house: House) -> None:
    house.add("enid", Role.ENGINEER)
    async with house.browser("enid") as client:
        answer = await client.get("/evidence", headers=BROWSER)
    assert answer.status_code == 403
    says = "enid has no role that may do this: evidence. It takes the role auditor, which"
    assert all(part in answer.text for part in (*FRAME, says))


@pytest.mark.parametrize("headers", [{}, {"accept": "*/*"}, BROWSER | {"x-bayroll-live": "1"}])
async def test_a_script_or_a_program_gets_a_line(house: House, headers: dict[str, str]) -> None:
    async with house.browser() as client:
        answer = await client.get(NOTHING, headers=headers)
    assert (answer.status_code, answer.text) == (404, "Not Found\n")


async def test_the_api_answers_in_json_whoever_asks(house: House) -> None:
    async with house.browser() as client:
        answer = await client.get("/api/v1/nothing", headers=BROWSER)
    assert (answer.status_code, set(answer.json())) == (404, {"refused"})


async def test_who_is_not_signed_in_is_shown_nothing_of_the_site(house: House) -> None:
    house.add("enid", Role.ENGINEER)
    async with house.browser() as client:
        answer = await client.get(NOTHING, headers=BROWSER)
    assert (answer.status_code, answer.text) == (404, "Not Found\n")


def test_every_right_has_a_role_that_gives_it() -> None:
    for what in frozenset().union(*MAY.values()):
        assert who_may(what)
        assert all(what in MAY[role] for role in who_may(what))
