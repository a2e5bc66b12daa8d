"""Begins with the seeds as soon as it is known that they are asked for."""

from __future__ import annotations

import pytest

from tests.trials.beside import Beside

BESIDE: pytest.StashKey[Beside] = pytest.StashKey()


def pytest_collection_finish(session: pytest.Session) -> None:
    seeds = [
        item.callspec.params["seed"]
        for item in session.items
        if isinstance(item, pytest.Function)
        and "ran" in item.fixturenames
        and "seed" in getattr(getattr(item, "callspec", None), "params", ())
    ]
    if seeds and not session.config.option.collectonly:
        session.config.stash[BESIDE] = Beside(seeds)


def pytest_sessionfinish(session: pytest.Session) -> None:
    if BESIDE in session.config.stash:
        session.config.stash[BESIDE].end()
