"""Outputs by their entry points: ours, others', and what is wrong with a site's wishes."""

from __future__ import annotations

from dataclasses import replace
from importlib.metadata import EntryPoint
from typing import Any

import pytest

from poller.publishing.opening import GROUP, found, open_outputs
from poller.publishing.ports import Context
from poller.site.settings import Site
from tests.publishing.world import House, site

BROKER = {"host": "127.0.0.1"}


def point(name: str, value: str) -> dict[str, EntryPoint]:
    return {name: EntryPoint(name=name, value=value, group=GROUP)}


def opened(of: Site, **more: Any) -> tuple[list[Any], list[Any]]:
    house = House()

    def context_for(name: str) -> Context:
        return house.context(of, name=name, **of.file.outputs[name])

    return open_outputs(of, context_for, file="tarn.yaml", **more)


def theirs(context: Context) -> str:
    return f"opened {context.name}"


def test_our_mqtt_output_is_found() -> None:
    assert "mqtt" in found()


async def test_named_outputs_are_opened_in_order() -> None:
    installed = {**found(), **point("theirs", "tests.publishing.test_opening:theirs")}
    outputs, problems = opened(
        site(BROKER, outputs={"theirs": {}, "mqtt": {}}), installed=installed
    )
    assert problems == []
    assert (outputs[0], outputs[1].name) == ("opened theirs", "mqtt")


def test_none_is_opened_that_is_not_named() -> None:
    assert opened(site(BROKER)) == ([], [])


async def test_what_is_wrong_with_settings_has_its_line() -> None:
    text = "format: 1\noutputs:\n  iec104:\n    port: 2404\n    common_adress: 7\n"
    of = replace(site(outputs={"iec104": {"port": 2404, "common_adress": 7}}), texts={"s": text})
    _, (problem,) = opened(of)
    assert (problem.line, problem.at) == (5, "outputs.iec104.common_adress")
    assert problem.what == "there is no such setting"


async def test_what_two_outputs_share_is_told_once() -> None:
    broker = {"host": "h", "tls": {"ca": "none.pem"}}
    _, (problem,) = opened(site(broker, outputs={"mqtt": {}, "sparkplug": {}}))
    assert (problem.code, problem.at) == ("output-tls", "broker.tls")


async def test_an_output_nobody_installed_is_told_with_its_place() -> None:
    _, (problem,) = opened(site(BROKER, outputs={"smoke-signal": {}}))
    assert (problem.code, problem.at) == ("output-unknown", "outputs.smoke-signal")
    assert problem.file == "tarn.yaml"


def test_an_output_that_does_not_load_leaves_the_others() -> None:
    installed = {**point("bad", "tests.no_such_module:open"), **point("good", f"{__name__}:theirs")}
    outputs, (problem,) = opened(site(outputs={"bad": {}, "good": {}}), installed=installed)
    assert outputs == ["opened good"]
    assert problem.code == "output-not-loadable"


LOOP, OWN, ALL = "127.0.0.1", "127.0.0.2", "0.0.0.0"
SAME = [
    ({"host": LOOP, "port": 2404}, {"host": LOOP, "port": 2404}, "outputs.iec104 listens"),
    ({"host": ALL, "port": 2404}, {"host": LOOP, "port": 2404}, "outputs.iec104 listens"),
    ({"host": LOOP, "port": 2404}, {"host": ALL, "port": 2404}, "outputs.iec104 listens"),
    ({}, {"host": LOOP, "port": 8420}, "the page is served"),
    ({}, {"host": "localhost", "port": 8420}, "the page is served"),
    ({}, {"host": "::", "port": 8420}, None),
    ({"host": LOOP, "port": 2404}, {"host": OWN, "port": 2404}, None),
    ({}, {}, None),
]


@pytest.mark.parametrize(("one", "other", "says"), SAME)
async def test_two_that_listen_on_one_port_are_told(
    one: dict[str, Any], other: dict[str, Any], says: str | None
) -> None:
    _, problems = opened(site(outputs={"iec104": one, "alarm_points": other}))
    expected = [] if says is None else [("output-port-twice", "outputs.alarm_points.port")]
    assert [(one.code, one.at) for one in problems] == expected
    assert all(one.what.endswith(str(says)) for one in problems)


async def test_a_password_in_the_wrong_place_is_not_repeated() -> None:
    outputs = {"mqtt": {"broker": {"host": "h", "password": "hunter2"}}}
    _, problems = opened(site(BROKER, outputs=outputs))
    assert problems
    assert "hunter2" not in "\n".join(map(str, problems))
