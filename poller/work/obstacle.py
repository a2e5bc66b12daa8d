"""What readiness looks at, and what it finds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from poller.model.nameplate import Nameplate, from_flat
from poller.model.standing import Relay, State, shown
from poller.model.status import Quality, StatusReading
from poller.model.work import Work, WorkState
from poller.site.register_map import RegisterMap
from poller.site.settings import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """rule: its stable name; says and cure: a sentence each, for people."""

    rule: str
    says: str
    cure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """All that a rule looks at. name: of the relay; reading: its last status, None: none yet."""

    work: Work
    name: str
    relay: Relay
    state: State
    site: Site
    reading: StatusReading | None
    at: datetime

    @property
    def map(self) -> RegisterMap | None:
        return self.site.maps.get(self.relay.map or "")

    @property
    def plate(self) -> Nameplate:
        """What it says now; before that is read, what it said when the work was planned."""
        return shown(self.relay) or from_flat(dict(self.work.plan.before))

    def told(self, value: str) -> Any:
        """A value of the last status; None where there is no good reading of it."""
        if self.reading is None or self.reading.quality_of(value) is not Quality.GOOD:
            return None
        return getattr(self.reading.status, value)


BUSY: Final = frozenset(
    {
        WorkState.UNDER_WAY,
        WorkState.WAITING_FOR_RELAY,
        WorkState.CHECKING,
        WorkState.NOT_DONE,
        WorkState.WRONG_VERSION,
    }
)
"""Begun, and nobody has shown yet that it took: the relay does not count as in service."""


def untold(known: RegisterMap | None, value: str) -> bool:
    """The relay's map has no such value: it is not asked for, a person sees it at the relay."""
    return known is not None and getattr(known.status, value) is None


def word(work: Work) -> str:
    return work.state.value.replace("_", " ")
