"""Each test has a page of its own; all share a loop, and with it the browser."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import pytest_asyncio
from argon2 import PasswordHasher

from poller.web import passwords
from tests.web.browsers import Chromium
from tests.web.house import House

HERE = Path(__file__).parent
CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    loop = pytest.mark.asyncio(loop_scope="session")
    for item in items:
        if item.path.is_relative_to(HERE) and pytest_asyncio.is_async_test(item):
            item.add_marker(loop, append=False)


@pytest_asyncio.fixture(scope="session", loop_scope="session", autouse=True)
async def chromium() -> AsyncIterator[None]:
    """Started by the first test that opens a page."""
    yield
    await Chromium.end()


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[House]:
    monkeypatch.setattr(passwords, "HASHER", CHEAP)
    made = House(tmp_path)
    yield made
    made.close()
