"""The API: its own description holds, for whatever is asked, and its answers are the answers'."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from prometheus_client.parser import text_string_to_metric_families
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from poller.answers.alarms import rows as alarm_rows
from poller.answers.firmware import firmware_rows
from poller.answers.listing import rows
from poller.answers.one import picture
from poller.model import limits
from poller.model.canonical import plain
from poller.model.users import Role
from poller.site.shipped_alarms import catalogue_of
from poller.web.app import make_app
from poller.web.shapes import REFUSALS
from tests.web.house import PASSWORD, House, told

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
EXAMPLES = 12  # of each route; the whole takes half a minute


# What the answers are.


async def test_relays_are_those_of_the_command_line(house: House) -> None:
    async with house.browser() as client:
        answer = told(await client.get("/api/v1/relays"))
    expected = rows(house.state, house.live, house.now)
    assert answer == {"seq": house.state.seq, "relays": [plain(row) for row in expected]}


async def test_one_relay_is_that_of_the_command_line(house: House) -> None:
    async with house.browser() as client:
        answer = told(await client.get("/api/v1/relays/q01-main1"))
    live = house.live["q01-main1"]
    assert answer == plain(picture(house.state, "q01-main1", live, house.now))


async def test_approved_is_that_of_the_command_line(house: House) -> None:
    async with house.browser() as client:
        answer = told(await client.get("/api/v1/approved"))
    assert answer["firmware"] == [plain(row) for row in firmware_rows(house.state, house.now)]


async def test_alarms_are_those_of_the_command_line(house: House) -> None:
    async with house.browser() as client:
        answer = told(await client.get("/api/v1/alarms"))
    expected = alarm_rows(house.state, house.now, catalogue_of(house.site))
    assert answer["alarms"] == [plain(row) for row in expected]
    assert expected != ()


@pytest.mark.parametrize("path", ["relays/none", "alarms/none", "work/none", "none"])
async def test_what_there_is_not_is_told(house: House, path: str) -> None:
    async with house.browser() as client:
        answer = await client.get(f"/api/v1/{path}")
    assert (answer.status_code, set(answer.json())) == (404, {"refused"})


async def test_the_journal_is_read_backwards_in_pages_without_a_gap(house: House) -> None:
    seen: list[int] = []
    async with house.browser() as client:
        before: dict[str, int] = {}
        while True:
            page = told(await client.get("/api/v1/events", params={"limit": 7} | before))
            seen += [event["seq"] for event in page["events"]]
            if page["older"] is None:
                break
            before = {"before": page["older"]}
    assert seen == list(range(house.state.seq, 0, -1))


async def test_an_event_carries_its_hash(house: House) -> None:
    async with house.browser() as client:
        page = told(await client.get("/api/v1/events", params={"limit": 1}))
    assert page["events"][0]["hash"] == house.page.behind.journal.head().hash


async def test_the_journal_of_one_relay_and_kind(house: House) -> None:
    wanted = {"relay": "q01-main1", "kind": ["nameplate_changed", "flag_rose"]}
    async with house.browser() as client:
        page = told(await client.get("/api/v1/events", params=wanted))
    assert [event["kind"] for event in page["events"]] == ["flag_rose", "nameplate_changed"]


@pytest.mark.parametrize(
    "query", ["limit=0", f"limit={limits.PAGE_ROWS_MAX + 1}", "before=0", "limit=x", "before=1e9"]
)
async def test_more_than_can_be_read_at_once_is_refused(house: House, query: str) -> None:
    async with house.browser() as client:
        answer = await client.get(f"/api/v1/events?{query}")
    assert (answer.status_code, set(answer.json())) == (422, {"refused"})


async def test_about_names_ports_and_what_it_is_made_with(house: House) -> None:
    async with house.browser() as client:
        about = told(await client.get("/api/v1/about"))
    packages = {one["name"]: one for one in about["packages"]}
    assert "bayroll" in packages["fastapi"]["needed_by"]
    assert "fastapi" in packages["starlette"]["needed_by"]
    assert {"of": "page", "way": "in", "host": "127.0.0.1", "port": 8420, "protocol": "HTTP"} in (
        about["ports"]
    )
    assert sum(port["protocol"] == "Modbus TCP" for port in about["ports"]) == len(
        house.site.file.by_address
    )


# For whoever watches over services.


async def test_health_asks_for_no_name_and_says_no_more(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        answer = await client.get("/health")
    assert (answer.status_code, answer.json()) == (200, {"health": "ok"})


async def test_a_journal_that_cant_be_written_is_not_well(house: House) -> None:
    house.failing = "disk full"
    async with house.browser() as client:
        answer = await client.get("/health")
    assert (answer.status_code, answer.json()) == (503, {"health": "degraded"})


async def test_metrics_are_read_by_prometheus_own_parser(house: House) -> None:
    house.add("ute", "viewer")
    async with house.browser() as client:
        text = (await client.get("/metrics")).text
    found = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert found["bayroll_journal_events_total",] == house.state.seq
    assert found["bayroll_relays", "not_tried"] == 23
    assert found["bayroll_relays", "yes"] == 1
    assert found["bayroll_output_lag_events", "mqtt"] == 3
    assert found["bayroll_info", "0.1.0"] == 1


@pytest.mark.parametrize(("peer", "status"), [("127.0.0.1", 200), ("::1", 200), ("10.0.0.9", 401)])
async def test_metrics_are_for_this_machine(house: House, peer: str, status: int) -> None:
    house.add("ute", "viewer")
    async with house.browser(peer=peer) as client:
        assert (await client.get("/metrics")).status_code == status


# Its description.


async def test_the_description_needs_no_name_and_names_no_other_place(house: House) -> None:
    async with house.browser() as client:
        text = (await client.get("/api/v1/openapi.json")).text
        assert (await client.get("/docs")).status_code == 404
    assert "://" not in text


def described(house: House) -> dict[str, Any]:
    async def ask() -> dict[str, Any]:
        async with house.browser() as client:
            return dict((await client.get("/api/v1/openapi.json")).json())

    return asyncio.run(ask())


def test_every_route_of_the_api_says_how_it_refuses(house: House) -> None:
    for path, ways in described(house)["paths"].items():
        for way, route in ways.items():
            if path.startswith("/api/"):
                assert {str(status) for status in REFUSALS} <= route["responses"].keys(), (
                    way,
                    path,
                )


@pytest.fixture
def drawn(house: House) -> Any:
    """The schema as Schemathesis reads it, asked by somebody with every role."""
    house.add("ute", *Role)
    token = asyncio.run(house.page.sessions.sign_in("ute", PASSWORD, "127.0.0.1"))
    person = house.page.sessions.person(token)
    assert person is not None
    headers = {"host": "127.0.0.1:8420", "x-bayroll-form": person.form}
    cookies = "; ".join(f"bayroll-{port}={token}" for port in (80, 8420))
    headers["cookie"] = cookies
    schema = schemathesis.openapi.from_asgi(
        "/api/v1/openapi.json", make_app(house.page), headers=headers
    )
    return schema, headers


def test_whatever_is_asked_it_answers_as_it_says(drawn: Any) -> None:
    """Schemathesis draws requests from the description; the checks are its own."""
    schema, headers = drawn
    tried = 0
    # the stream never ends, and signing out would end the session that asks
    for found in schema.exclude(path=["/api/v1/changes", "/api/v1/session"]).get_all_operations():
        operation = found.ok()
        tried += 1

        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            derandomize=True,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            database=None,
        )
        @given(case=operation.as_strategy())
        def ask(case: Any) -> None:
            case.call_and_validate(headers=headers, checks=CHECKS)

        ask()
    assert tried > 30
