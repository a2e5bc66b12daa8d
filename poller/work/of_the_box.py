"""What of the relay itself stands in the way of an update: how it is, and where it would start."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from poller.model.nameplate import flat
from poller.model.status import Health
from poller.model.work import NoteKind, Work
from poller.site.approved import Step, same_version, step_for
from poller.work.against_plan import is_firmware
from poller.work.groups import several, short
from poller.work.obstacle import Case, Obstacle, untold
from poller.work.procedure import rule_of, with_words

PRESENT_VERSION: Final = "present-version"


def _answering(case: Case) -> Iterator[Obstacle]:
    if case.relay.paused:
        yield Obstacle(
            rule="answering",
            says=f"{case.name} is paused, so that nobody knows how it is",
            cure="let it be polled again; it is seen before the work and after it, or not at all",
        )
    elif case.relay.answering is not True:
        says = "has not answered yet" if case.relay.answering is None else "does not answer"
        yield Obstacle(
            rule="answering",
            says=f"{case.name} {says}",
            cure="see to its connection first: what does not answer can't be checked afterwards",
        )


def _health(case: Case) -> Iterator[Obstacle]:
    health: Health | None = case.told("health") or case.relay.health
    if health is Health.OK or (health is None and untold(case.map, "health")):
        return
    told = "is not known" if health is None else f"is {health.name.lower()}"
    yield Obstacle(
        rule="health",
        says=f"the health of {case.name} {told}",
        cure="find out why at the relay, and mend that first; an update on top hides the cause",
    )


def _present_version(case: Case) -> Iterator[Obstacle]:
    for attribute in _leading(case.work):
        wrong = _wrong_start(case, attribute)
        if wrong is not None:
            yield Obstacle(rule=PRESENT_VERSION, says=wrong[0], cure=wrong[1])


def _leading(work: Work) -> tuple[str, ...]:
    """The firmware whose package is loaded; components that come with the device's need no step."""
    found = tuple(sorted(filter(is_firmware, work.plan.expects)))
    return ("swRev",) if "swRev" in found else found


def _wrong_start(case: Case, attribute: str) -> tuple[str, str] | None:
    """What is wrong with the present version as a start, and the cure."""
    expected = case.work.plan.expects[attribute]
    present = flat(case.plate).get(attribute)
    if present is None:
        return (
            f"{attribute} of {case.name} is not known",
            "let it be read, or enter what the front panel says",
        )
    if case.site.approved is None:
        return None  # who keeps no list has no steps
    rule = rule_of(case.site, case.plate, attribute)
    if rule is None:
        return (
            f"no rule of the approved list is for {attribute} of {case.name}",
            "add one, with the steps that the procedure of its family permits",
        )
    if same_version(rule, present, expected):
        return (
            f"{attribute} of {case.name} is {short(present)} already",
            "cancel the work, or plan the version that is meant",
        )
    step = step_for(rule, present, expected)
    if step is None:
        ways = [one.to for one in rule.steps if same_version(rule, one.from_, present)]
        others = f"plan a step that it permits from there: to {several(map(short, ways))}"
        return (
            f"rule {rule.id} permits no step from {short(present)} to {short(expected)}",
            others if ways else "it permits none from there: see the procedure of the family",
        )
    if step.direction != case.work.plan.kind.value:
        return (
            f"from {short(present)} to {short(expected)} is a step of kind {step.direction}, and "
            f"the work is planned as {case.work.plan.kind}",
            "cancel it, and plan what is meant",
        )
    return None


def _steps(case: Case) -> Iterator[Step]:
    for attribute in _leading(case.work):
        rule = rule_of(case.site, case.plate, attribute)
        present = flat(case.plate).get(attribute)
        if rule is not None and present is not None:
            step = step_for(rule, present, case.work.plan.expects[attribute])
            if step is not None:
                yield step


SAVE_FIRST: Final = (
    "save all stored records and open the copies, note that, and clear the records only then"
)
SAVED: Final = "the copies were noted as saved and opened: clear the records now"


def _memory(case: Case) -> Iterator[Obstacle]:
    need = max((step.memory_kb or 0 for step in _steps(case)), default=0)
    if not need:
        return
    free: int | None = case.told("free_memory_kb")
    if free is None:
        says = f"the package needs {need} kB, and how much is free in {case.name} is not known"
        cure = "look it up at the relay; it can be started all the same, saying what was found"
        yield Obstacle(rule="free-memory", says=says, cure=cure)
    elif free < need:
        saved = case.work.noted(NoteKind.RECORDS_SAVED) is not None
        yield Obstacle(
            rule="free-memory",
            says=f"the package needs {need} kB, and {free} kB are free in {case.name}: the update "
            "can fail half-way",
            cure=with_words(
                SAVED if saved else SAVE_FIRST,
                case.site,
                case.plate,
                "free_memory",
            ),
        )


OF_THE_BOX: Final[tuple[Callable[[Case], Iterator[Obstacle]], ...]] = (
    _answering,
    _health,
    _present_version,
    _memory,
)
