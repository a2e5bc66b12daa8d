"""A connection to a broker that does not last, in virtual time."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from random import Random
from types import SimpleNamespace
from typing import Any

import pytest

from poller.publishing.mqtt.link import Link, LinkSettings
from poller.site.settings import Broker
from tests.trials.virtual_loop import run

FOR_S = 120.0
NAME = "bayroll-hollin-mqtt"


@dataclass(eq=False)
class Lasts:
    """Each connection stands for so long, and what it is for was done."""

    lasts_s: float
    began: list[float] = field(default_factory=list)

    def link(self) -> Link:
        made = self

        class Once(Link):
            async def _connection(self) -> None:
                made.began.append(asyncio.get_running_loop().time())
                self._arrived()
                self._worked = True
                await asyncio.sleep(made.lasts_s)
                raise OSError("reset by peer")

        context: Any = SimpleNamespace(
            name="mqtt",
            site=SimpleNamespace(file=SimpleNamespace(site="hollin")),
            extra={"random": Random(1)},
        )
        return Once(context, LinkSettings(), Broker(host="127.0.0.1"))


def told(lasts: Lasts) -> str:
    """What stands in the status in the end."""

    async def main() -> str:
        link = lasts.link()
        task = asyncio.create_task(link.run())
        await asyncio.sleep(FOR_S)
        task.cancel()
        await asyncio.wait([task])
        return link.status().says

    said: str = run(main())
    return said


def test_who_is_put_off_as_soon_as_it_stands_comes_later_and_later_and_says_why() -> None:
    """As a second client of the same name does: each connection is the end of the other's."""
    lasts = Lasts(lasts_s=0.1)
    assert f"another client may be called {NAME}" in told(lasts)
    apart = [after - before for before, after in zip(lasts.began, lasts.began[1:], strict=False)]
    assert max(apart[:2]) < 2
    assert min(apart[-2:]) > 10


@pytest.mark.parametrize("lasts_s", [6.0, 40.0])
def test_who_stood_for_a_while_is_back_at_once(lasts_s: float) -> None:
    lasts = Lasts(lasts_s=lasts_s)
    assert "another client" not in told(lasts)
    apart = [after - before for before, after in zip(lasts.began, lasts.began[1:], strict=False)]
    assert len(apart) > 1
    assert max(apart) < lasts_s + 1
