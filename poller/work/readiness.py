"""What stands in the way of starting work on a relay, each with its cure.

None of it says that the bay is protected meanwhile: a relay that answers is not thereby a relay
that trips. That a person confirms at the relay, and the note of it is asked for here.
"""

from __future__ import annotations

from datetime import datetime

from poller.model.standing import State
from poller.model.status import StatusReading
from poller.model.work import Work, WorkKind
from poller.site.settings import Site
from poller.work.around_it import AROUND_IT
from poller.work.obstacle import Case, Obstacle
from poller.work.of_the_box import OF_THE_BOX

__all__ = ["Obstacle", "obstacles"]


def obstacles(
    work: Work, state: State, site: Site, reading: StatusReading | None, at: datetime
) -> tuple[Obstacle, ...]:
    """Every one of them, in the order in which a person would see to them. None: it is ready."""
    relay = state.relays.get(work.plan.relay)
    if relay is None or not relay.listed:
        says = f"{work.plan.relay} is not listed in the site file any more"
        return (Obstacle(rule="listed", says=says, cure="list it again, or cancel the work"),)
    case = Case(
        work=work,
        name=work.plan.relay,
        relay=relay,
        state=state,
        site=site,
        reading=reading,
        at=at,
    )
    # a box that is to be replaced may well be dead, and gets no package
    rules = AROUND_IT if work.plan.kind is WorkKind.REPLACEMENT else (*OF_THE_BOX, *AROUND_IT)
    return tuple(one for rule in rules for one in rule(case))
