"""The outages file: when which bays are out and who works meanwhile. Written by the engineer.

Times are local to its zone. What a step takes, how long a pilot is held and what the plan must keep
to stand here too; the steps themselves come from the due list.
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field

from poller.model import limits
from poller.site.approved import RuleId
from poller.site.register_map import Line
from poller.site.settings import Id, Text
from poller.site.strict import Day, Many, Strict, Words

Minutes: TypeAlias = Annotated[
    int, Field(ge=0, le=1_440, description="no part of a step takes longer than a day")
]
Weight: TypeAlias = Annotated[
    int, Field(ge=1, le=1_000, description="past a thousand to one, the one would never be done")
]
Bays: TypeAlias = Annotated[Many[Text], Field(max_length=limits.OUTAGE_BAYS_MAX)]
Windows: TypeAlias = Annotated[
    tuple[Id, ...], Field(min_length=1, max_length=limits.OUTAGE_WINDOWS_MAX, strict=False)
]


class Crew(Strict):
    """people: who can work on relays. hours: of each of them; absent: the whole window."""

    people: Annotated[int, Field(ge=1, le=50, description="at work in one substation at once")]
    hours: (
        Annotated[float, Field(gt=0, le=744, description="no window is longer than a month")] | None
    ) = None


class Window(Strict):
    """start, end: 2027-01-12 08:00, in the file's zone. reference: of the outage request.

    bays: out of service meanwhile. groups: protection groups of which one may be taken out while
    its bay is in service; for the plan, naming a shared zone here is the decision that it may.
    """

    id: Id
    start: Line
    end: Line
    bays: Bays = ()
    groups: Annotated[Many[Id], Field(max_length=limits.OUTAGE_BAYS_MAX)] = ()
    crew: Crew
    reference: Text | None = None


class StepMinutes(Strict):
    """Minutes beside the update itself, of which the approved list tells."""

    read_back: Minutes = 10  # of the configuration, before
    settings: Minutes = 30  # loaded anew, only where they do not survive
    verify: Minutes = 60  # functional test and return to service


class FamilyMinutes(Strict):
    """Of one family, by its rule in the approved list; what is absent is as for the others."""

    read_back: Minutes | None = None
    update: Minutes | None = None
    settings: Minutes | None = None
    verify: Minutes | None = None
    pilot: Id | None = None  # the relay that goes first; absent: the plan chooses


class Pilot(Strict):
    """One relay of each family first; the others only so long after, and if nothing of stop was."""

    # a month brings switching, a fault nearby and every periodic task of a relay
    hold_days: Annotated[
        int, Field(ge=0, le=365, description="past a year the family would never get the update")
    ] = 30
    stop: Annotated[Many[Words], Field(max_length=20)] = ()


class Weights(Strict):
    """What a day of waiting counts, by why it is due; of several reasons, their sum."""

    failure_to_trip: Weight = 100
    misoperation: Weight = 50
    withdrawn: Weight = 30
    affected: Weight = 20
    not_approved: Weight = 10
    below_target: Weight = 5
    bulletin: Weight = 3


class Fixed(Strict):
    """to: the step to this version only; absent: every step of the relay."""

    relay: Id
    window: Id
    to: Line | None = None


class Forbidden(Strict):
    """Of a relay, or of all of a family."""

    relay: Id | None = None
    family: RuleId | None = None
    windows: Windows


class Deadline(Strict):
    """by: the last day, in the file's zone, on which the last step is done."""

    relay: Id | None = None
    family: RuleId | None = None
    by: Day
    why: Words


class OutageFile(Strict):
    """people_per_step: one works, one witnesses. both_when_bay_out: main 1 and main 2 may share a
    window in which their bay is out; else a soak always lies between them."""

    format: Literal[1]
    zone: Line
    windows: Annotated[
        tuple[Window, ...],
        Field(
            min_length=1,
            max_length=limits.OUTAGE_WINDOWS_MAX,
            strict=False,
            description="a large substation's outages of some years",
        ),
    ]
    minutes: StepMinutes = StepMinutes()
    families: Annotated[
        dict[RuleId, FamilyMinutes], Field(max_length=limits.APPROVED_RULES_MAX)
    ] = Field(default={})
    people_per_step: Annotated[
        int, Field(ge=1, le=10, description="more cannot stand before one relay")
    ] = 2
    both_when_bay_out: bool = False
    pilot: Pilot = Pilot()
    weights: Weights = Weights()
    fixed: Annotated[Many[Fixed], Field(max_length=limits.OUTAGE_CHOICES_MAX)] = ()
    forbidden: Annotated[Many[Forbidden], Field(max_length=limits.OUTAGE_CHOICES_MAX)] = ()
    deadlines: Annotated[Many[Deadline], Field(max_length=limits.OUTAGE_CHOICES_MAX)] = ()
