"""From values to HTML: one environment that escapes everything, and the words of the answers."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any, Final

from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from poller.answers.alarms import counted
from poller.answers.words import BEHAVIOUR, HEALTH, moment, span
from poller.model import limits
from poller.model.standing import State
from poller.model.users import says as role_says
from poller.web.behind import Behind
from poller.web.sessions import Person


class Drawing:
    """Draws beside the loop: a thousand relays take longer than a poll may wait."""

    def __init__(self, behind: Behind) -> None:
        self._behind = behind
        self._jinja = Environment(
            loader=PackageLoader("poller.web"),
            autoescape=True,  # of every template, whatever its name: device text is hostile
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._jinja.filters |= FILTERS
        self._jinja.globals |= {"limits": limits}

    async def whole(
        self,
        person: Person,
        template: str,
        *,
        status: int = 200,
        state: State | None = None,
        **values: Any,
    ) -> HTMLResponse:
        """A page in its frame: title, ways to the other views, who is signed in, cautions.

        state: the one that values were made of, since what moves after it is told by the stream.
        """
        state, site = state or self._behind.state(), self._behind.site()
        values |= {
            "person": person,
            "site": site.file,
            "seq": state.seq,
            "now": self._behind.now(),
            "counts": counted(state),
            "version": self._behind.version,
        }
        return await self._response(template, status, values)

    async def part(self, person: Person, template: str, **values: Any) -> HTMLResponse:
        """A piece that the script puts into a page that stands already."""
        return await self._response(template, 200, values | {"person": person})

    async def _response(self, template: str, status: int, values: dict[str, Any]) -> HTMLResponse:
        draw = partial(self._jinja.get_template(template).render, values)
        return HTMLResponse(await self._behind.threads.do(draw), status)


def epoch(at: datetime | None) -> int | None:
    """Whole seconds, as the script counts ages from."""
    return None if at is None else int(at.timestamp())


FILTERS: Final[dict[str, Any]] = {
    "span": span,
    "moment": moment,
    "epoch": epoch,
    "health": HEALTH.__getitem__,
    "behaviour": BEHAVIOUR.__getitem__,
    "role": role_says,
    "words": lambda text: text.replace("_", " "),
}
