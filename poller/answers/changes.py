"""A change of the nameplate in words: what became what, which way, and whether it was planned."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from poller.answers.words import count, quoted
from poller.model import limits
from poller.model.attribute_words import attribute
from poller.model.events import Change, ChangeClass, NameplateChanged, Order

WAY: Final = {
    Order.NEWER: " (newer)",
    Order.OLDER: " (older)",
    Order.SAME: "",
    Order.TEXT_ONLY: " (the same version, spelled otherwise)",
    Order.NOT_COMPARABLE: " (which of them is newer can't be told)",
}
FRAME: Final = {
    ChangeClass.WRONG_VERSION: "{}; it is not the version that was planned.",
    ChangeClass.REPLACED: "the relay was replaced: {}.",
    ChangeClass.DOWNGRADED: "{}, a downgrade that nobody planned.",
    ChangeClass.UNPLANNED: "{}, and nobody planned it.",
    ChangeClass.OPTIONS: "{}; its options or hardware are not what they were.",
    ChangeClass.SETTINGS: "{}; its settings are not what they were.",
    ChangeClass.TEXT_ONLY: "{}.",
    ChangeClass.PLANNED: "{}, as planned.",
}
SERIOUS: Final = tuple(ChangeClass)  # the enumeration stands most serious first


def told(body: NameplateChanged) -> str:
    """The changes, and the work they were judged against."""
    work = "" if body.work is None else f" It was judged against work {quoted(body.work)}."
    return framed(body.change, body.changes) + work


def framed(change: ChangeClass, changes: Sequence[Change]) -> str:
    """The changes, most serious first, within the words of the most serious."""
    return FRAME[change].format(_listed(changes))


def _listed(changes: Sequence[Change]) -> str:
    ranked = sorted(changes, key=lambda change: SERIOUS.index(change.change))
    words = [_one(change) for change in ranked[: limits.SENTENCE_CHANGES_MAX]]
    rest = len(ranked) - len(words)
    if rest:
        words.append(count(rest, "more change", "more changes"))
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _one(change: Change) -> str:
    name = attribute(change.attribute)
    if change.before is None and change.after is not None:
        return f"{name} is told now, {quoted(change.after)}"
    if change.after is None:
        before = "" if change.before is None else f", {quoted(change.before)} before"
        return f"{name} is no longer told{before}"
    way = "" if change.order is None else WAY[change.order]
    return f"{name} changed from {quoted(change.before or '')} to {quoted(change.after)}{way}"
