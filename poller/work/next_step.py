"""What to do about a line of a verification that does not hold, in the procedure's own words."""

from __future__ import annotations

from typing import Final

from poller.model.nameplate import Nameplate
from poller.model.standing import Relay, shown
from poller.model.work import Line
from poller.site.approved import Rule, same_version, step_for
from poller.site.settings import Site
from poller.work.groups import several, short
from poller.work.line_names import (
    ANSWERING,
    BEHAVIOUR,
    BOX,
    FIRMWARE,
    FLAGS,
    HEALTH,
    SETTINGS,
    SOAK,
    TEST,
    last,
)
from poller.work.procedure import Topic, rule_of, with_words

STOP: Final = "leave the relay isolated; check that hardware, package and settings fit together"
NO_LIST: Final = (
    "one more try only if its family's procedure allows it; then go back, or fit a spare"
)
WAIT: Final = "wait until it is read; what stays unread is to be read at the front panel"
CLEARED_BY: Final = {
    "itself": "it falls by itself when its cause is gone",
    "relay_procedure": "it is cleared as the procedure of the relay says",
    "engineering_tool": "it is cleared with the engineering tool",
    "front_panel": "it is cleared at the front panel",
    "restart": "it is cleared by a restart",
}
OTHERS: Final[dict[str, tuple[str, Topic]]] = {
    HEALTH: ("keep the relay out of service and find out what it warns of", "health"),
    BEHAVIOUR: ("take it out of test or blocking before it returns to service", "in_service"),
    ANSWERING: ("see to its connection and its supply", "no_answer"),
}


def next_step(line: Line, site: Site, relay: Relay) -> str:
    """A sentence or a few; "" for a line that holds.

    First what is common practice (no published source), then what the family's procedure says.
    """
    plate = shown(relay)
    if line.ok:
        return ""
    if line.name == SOAK:
        return f"wait: {line.expected} without a break; a line that fails begins it anew"
    if line.name == TEST:
        cure = (
            "carry out the functional test and note that it passed; what is read never says that "
            "a relay trips"
        )
        return with_words(cure, site, plate, "test")
    if line.ok is None:
        return WAIT
    if line.name == FLAGS:
        return with_words(_flags(line, site, relay), site, plate, "lifecycle_warning")
    if line.name in OTHERS:
        cure, topic = OTHERS[line.name]
        return with_words(cure, site, plate, topic)
    return _attribute(line, site, plate)


def _flags(line: Line, site: Site, relay: Relay) -> str:
    """Each flag that stands, and who clears it."""
    known = site.maps.get(relay.map or "")
    told = []
    for name in (line.read or "").split(", "):
        meaning = known.flags.get(name) if known is not None else None
        how = "" if meaning is None else f": {CLEARED_BY[meaning.cleared_by]}"
        told.append(f"{name.replace('_', ' ')} stands{how}")
    return "; ".join(told)


def _attribute(line: Line, site: Site, plate: Nameplate | None) -> str:
    name = last(line.name)
    if name in FIRMWARE:
        stop = f"{STOP}; {_after_stop(line, site, plate)}"
        told = with_words(stop, site, plate, "failed", line.name)
        return with_words(told, site, plate, "hardware", line.name)
    if name in BOX:
        cure = "look at the label of the box: it is not the one that was planned, or was refitted"
        return with_words(cure, site, plate, "hardware", line.name)
    if name in SETTINGS:
        cure = "compare the settings in the relay with the file that was reviewed, and load that"
        return with_words(cure, site, plate, "settings")
    return "find out why it is not as planned; if it is right all the same, say so in a note"


def _after_stop(line: Line, site: Site, plate: Nameplate | None) -> str:
    """One more try where the version that it has now permits it; else back, or a spare."""
    rule = rule_of(site, plate, line.name)
    if rule is None or line.read is None:
        return NO_LIST
    step = step_for(rule, line.read, line.expected)
    if step is None:
        others = _permitted(rule, "update", line.read)
        only = f", only to {several(others)}" if others else ""
        first = (
            f"the approved list has no step from {short(line.read)} to {short(line.expected)}"
            f"{only}: ask before a second try"
        )
    elif step.retry_allowed:
        first = "the approved list permits one more try"
    else:
        first = "no second try is permitted"
    back = _permitted(rule, "rollback", line.read)
    way = f"go back to {several(back)}, or " if back else ""
    return f"{first}; then {way}fit a spare"


def _permitted(rule: Rule, direction: str, present: str) -> list[str]:
    """To which versions, from there."""
    return [
        short(one.to)
        for one in rule.steps
        if one.direction == direction and same_version(rule, one.from_, present)
    ]
