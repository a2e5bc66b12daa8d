"""The inventory from the page and the API: the command line's bytes, to whoever may look."""

from __future__ import annotations

import re

import pytest

from poller.answers.cyclonedx import Spec
from poller.answers.inventory import inventory
from poller.answers.inventory_files import Format, written
from poller.journal.as_of import as_of
from tests.web.house import House

# media types: RFC 8259, RFC 4180, IANA's registry for CycloneDX with its parameter version
KINDS = {
    "json": "application/json",
    "csv": "text/csv; charset=utf-8",
    "cyclonedx": "application/vnd.cyclonedx+json; version=1.6",
}


@pytest.mark.parametrize("format_", Format)
async def test_a_file_is_that_of_the_command_line(house: House, format_: Format) -> None:
    async with house.browser() as client:
        answer = await client.get("/api/v1/inventory", params={"format": format_})
    told = inventory(house.state, as_of(house.page.behind.journal, house.state))
    assert answer.content == written(told, format_, Spec.V1_6, "0.1.0")


@pytest.mark.parametrize("format_", Format)
async def test_a_file_says_what_it_is(house: House, format_: Format) -> None:
    async with house.browser() as client:
        answer = await client.get("/api/v1/inventory", params={"format": format_})
    assert answer.headers["content-type"] == KINDS[format_]


async def test_the_page_offers_each_format(house: House) -> None:
    async with house.browser() as client:
        text = (await client.get("/relays")).text
    assert set(re.findall(r'href="/api/v1/inventory\?format=(\w+)"', text)) == set(Format)


async def test_a_viewer_may_have_it(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser("ute") as client:
        assert (await client.get("/api/v1/inventory")).status_code == 200


async def test_nobody_else_may(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        assert (await client.get("/api/v1/inventory")).status_code == 401
