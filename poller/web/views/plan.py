"""Into which outages what is due could go, as a picture and a table. Nothing is entered here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from fastapi.responses import Response
from markupsafe import Markup

from poller.answers.plan import counted, hold_rows, step_rows, sums, unplaced_rows
from poller.answers.plan_picture import plan_svg
from poller.model.problems import Faulty
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.status import StatusReading
from poller.planning.due import due
from poller.planning.outages.asking import ask
from poller.planning.outages.plan import at_once
from poller.web.page import Page, page_of
from poller.web.who import Somebody

router = APIRouter()
ThePage = Annotated[Page, Depends(page_of)]


@router.get("/plan")
async def whole(page: ThePage, person: Somebody) -> Response:
    state, live = page.behind.state(), page.behind.live()
    values = await page.behind.threads.do(lambda: _values(page, state, live))
    return await page.drawing.whole(person, "plan.html", state=state, **values)


def _values(page: Page, state: State, live: Mapping[str, StatusReading]) -> dict[str, Any]:
    """A plan made at once: the better one takes a minute, which polling should not wait for."""
    behind = page.behind
    site, now = behind.site(), behind.now()
    try:
        file = behind.outages(site)
        known = behind.known(site, state)
        dues = due(state, site, known.held, known.concerned, live, now)
        made = at_once(ask(dues, state, site, file, now))
    except Faulty as faulty:
        return {"problems": [str(one) for one in faulty.problems]}
    except Refusal as refusal:
        return {"problems": [str(refusal)]}
    told = sums(made)
    return {
        "problems": [],
        "zone": file.zone,
        "counted": counted(told),
        # its text is escaped where it is drawn
        "picture": Markup(plan_svg(made, file)) if made.question.jobs else "",  # noqa: S704
        "steps": step_rows(made, file, state),
        "holds": hold_rows(made, file, state),
        "stop": file.pilot.stop,
        "missing": unplaced_rows(made, state),
    }
