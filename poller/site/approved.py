"""The approved list: which firmware each relay family is to run. Written by the engineer.

Names, patterns and version schemes are those of register maps. What a rule says of its family's
procedure is quoted to people and never carried out.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal, TypeAlias

from pydantic import Field

from poller.model import firmware_version, limits
from poller.model.firmware_version import Key
from poller.model.nameplate import Component, Nameplate, flat
from poller.site import globs
from poller.site.packages import Package
from poller.site.register_map import Dotted, Line, Name, RevisionLetters, VersionScheme
from poller.site.strict import Day, Many, Strict, Words

RuleId: TypeAlias = Annotated[
    str,
    Field(
        pattern=r"^[a-z0-9-]{1,40}$",
        description="small letters, digits and dashes, at most 40: events and messages carry it",
    ),
]
DEVICE: Final = "device"
LETTERS: Final = RevisionLetters(kind="revision_letters")
NUMBERS: Final = Dotted(kind="dotted")


class Hardware(Strict):
    """Hardware revisions, both ends included: letters (A to Z, then AA) or numbers by dots."""

    from_: Line | None = Field(default=None, alias="from")
    to: Line | None = None


class Match(Strict):
    """Which relays a rule is for: all that is given must hold. An empty list, or absent: any.

    order_code: a pattern over its positions, ? for one, a * at the end for the rest.
    hardware: of the component where a rule is for one that tells its own, else of the device.
    """

    vendors: Annotated[Many[Line], Field(max_length=limits.APPROVED_GLOBS_MAX)] = ()
    models: Annotated[Many[Line], Field(max_length=limits.APPROVED_GLOBS_MAX)] = ()
    order_code: Line | None = None
    hardware: Hardware | None = None


class Withdrawn(Strict):
    """A version that must not run any more, why, and since when."""

    version: Line
    why: Words
    on: Day


class Step(Strict):
    """A way from one version to another that the family's procedure permits.

    minutes: how long the relay is away; memory_kb: what the package needs free, None: not known.
    """

    from_: Line = Field(alias="from")
    to: Line
    direction: Literal["update", "rollback"]
    settings_survive: bool
    can_be_undone: bool
    minutes: Annotated[
        int, Field(ge=1, le=1_440, description="no update of one relay takes longer than a day")
    ]
    retry_allowed: bool
    memory_kb: (
        Annotated[int, Field(ge=0, le=2**32 - 1, description="free memory is at most 32 bits wide")]
        | None
    ) = None


class Procedure(Strict):
    """What the family's own procedure says, in its own words; each for one thing that can fail."""

    lifecycle_warning: Words | None = None  # how it is cleared
    free_memory: Words | None = None  # what frees it
    test: Words | None = None  # what must be tested before return to service
    failed: Words | None = None  # what to do when the update did not take
    settings: Words | None = None  # how settings are converted, loaded and compared
    hardware: Words | None = None  # which hardware and order code the package fits
    health: Words | None = None  # what a warning or alarm after the update means
    in_service: Words | None = None  # how test mode or blocking is left
    no_answer: Words | None = None  # what to do when it does not come back


class Rule(Strict):
    """What one firmware of a family is to be. firmware: device, or the name of a component."""

    id: RuleId
    family: Line
    match: Match
    firmware: Name = DEVICE
    version_scheme: VersionScheme
    target: Line
    approved: Annotated[
        tuple[Line, ...],
        Field(min_length=1, max_length=limits.APPROVED_VERSIONS_MAX, strict=False),
    ]
    withdrawn: Annotated[Many[Withdrawn], Field(max_length=limits.APPROVED_VERSIONS_MAX)] = ()
    steps: Annotated[Many[Step], Field(max_length=limits.APPROVED_STEPS_MAX)] = ()
    procedure: Procedure = Procedure()
    # what the maker asks for when a package is fetched: one for each of these
    fetched_by: Literal["family", "order_code", "serial_number"] = "family"
    packages: Annotated[Many[Package], Field(max_length=limits.APPROVED_VERSIONS_MAX)] = ()

    @property
    def attribute(self) -> str:
        """swRev, or components.NAME.swRev: as in nameplate.flat."""
        return "swRev" if self.firmware == DEVICE else f"components.{self.firmware}.swRev"


class Approved(Strict):
    format: Literal[1]
    rules: Annotated[Many[Rule], Field(max_length=limits.APPROVED_RULES_MAX)] = ()


def attributes(nameplate: Nameplate) -> tuple[str, ...]:
    """The firmware that it tells, device first: swRev, components.boot.swRev."""
    told = [name for name in flat(nameplate) if name.rsplit(".", 1)[-1] == "swRev"]
    return tuple(sorted(told, key=lambda name: (name != "swRev", name)))


def rule_for(approved: Approved, nameplate: Nameplate, attribute: str) -> Rule | None:
    """The one rule for this firmware of this relay; two can't both match, the checks see to that.

    attribute: swRev or components.NAME.swRev. What a nameplate does not tell fits no pattern.
    """
    for rule in approved.rules:
        if rule.attribute == attribute and _fits(rule, nameplate):
            return rule
    return None


def step_for(rule: Rule, before: str, after: str) -> Step | None:
    """The permitted step between two versions; None: the procedure knows none."""
    for step in rule.steps:
        if same_version(rule, step.from_, before) and same_version(rule, step.to, after):
            return step
    return None


def same_version(rule: Rule, one: str, other: str) -> bool:
    """Equal text, or the same place in the order of the rule's scheme."""
    if one == other:
        return True
    key = firmware_version.key(one, rule.version_scheme)
    return key is not None and key == firmware_version.key(other, rule.version_scheme)


def withdrawn(rule: Rule, version: str) -> Withdrawn | None:
    """Why and since when this version must not run; None: it was not withdrawn."""
    return next((one for one in rule.withdrawn if same_version(rule, one.version, version)), None)


def is_approved(rule: Rule, version: str) -> bool:
    return any(same_version(rule, one, version) for one in rule.approved)


def revision(text: str) -> Key | None:
    """A hardware revision's place: letters or numbers by dots; None: neither.

    Numbers and letters have no order between them: compare only where the first items agree.
    """
    return firmware_version.key(text, LETTERS) or firmware_version.key(text, NUMBERS)


def _fits(rule: Rule, nameplate: Nameplate) -> bool:
    match = rule.match
    return (
        any_of(match.vendors, nameplate.vendor)
        and any_of(match.models, nameplate.model)
        and any_of(() if match.order_code is None else (match.order_code,), nameplate.orderCode)
        and _in_range(match.hardware, hardware_of(rule, nameplate))
    )


def any_of(patterns: tuple[str, ...], text: str | None) -> bool:
    if not patterns:
        return True
    return text is not None and any(globs.matches(text, pattern) for pattern in patterns)


def hardware_of(rule: Rule, nameplate: Nameplate) -> str | None:
    """Of the component that the rule is for where that tells its own, else of the device."""
    named = (part for part in nameplate.components if part.name == rule.firmware)
    part = next(named, Component(name=rule.firmware))
    return part.hwRev if part.hwRev is not None else nameplate.hwRev


def _in_range(wanted: Hardware | None, text: str | None) -> bool:
    """A revision of another kind than the range's, or none at all, is in no range."""
    ends = [] if wanted is None else [end for end in (wanted.from_, wanted.to) if end is not None]
    if wanted is None or not ends:
        return True
    place = None if text is None else revision(text)
    if place is None or any(not alike(place, revision(end)) for end in ends):
        return False
    low, high = wanted.from_, wanted.to
    return (low is None or _place(low) <= place) and (high is None or place <= _place(high))


def alike(one: Key | None, other: Key | None) -> bool:
    """Whether two places of revisions can be compared: both letters, or both numbers."""
    return one is not None and other is not None and one[0][0] == other[0][0]


def _place(text: str) -> Key:
    place = revision(text)
    assert place is not None, "alike was asked first"
    return place
