"""Begins with the seeds and the planted bugs as soon as it is known that they are asked for."""

from __future__ import annotations

import pytest

from tests.conftest import beside_file
from tests.trials import beside


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Last those that wait for what runs beside the others."""
    items.sort(key=lambda item: "ran_beside" in getattr(item, "fixturenames", ()))


def pytest_collection_finish(session: pytest.Session) -> None:
    asked = [
        item.callspec.params
        for item in session.items
        if isinstance(item, pytest.Function) and "ran_beside" in item.fixturenames
    ]
    seeds = [params["seed"] for params in asked if "seed" in params]
    bugs = [params["planted_bug"].name for params in asked if "planted_bug" in params]
    # every worker collects all of them, whoever will run them
    first = getattr(session.config, "workerinput", {"workerid": "gw0"})["workerid"] == "gw0"
    if asked and first and not session.config.option.collectonly:
        beside.begin(beside_file(), seeds, bugs)


@pytest.fixture(scope="session")
def ran_beside() -> beside.Beside:
    """Those that are asked for; they began with the session."""
    return beside.Beside(beside_file())
