"""How far the journal covers the span asked for, and what the report does and does not prove."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from poller.answers.evidence.configuration import THREE_YEARS
from poller.answers.evidence.report import Span
from poller.answers.words import count, moment

DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Of the journal. pruned: the last event that retention removed, 0: none was. keep_days: the
    setting, None: not known."""

    first_seq: int
    first_at: datetime | None
    last_at: datetime | None
    pruned: int
    keep_days: int | None


def covered(kept: Kept, span: Span) -> bool:
    """Whether there are events from before the span on."""
    return kept.first_at is not None and kept.first_at <= span.first


def reach(kept: Kept, span: Span) -> tuple[str, ...]:
    """In sentences."""
    if kept.first_at is None or kept.last_at is None:
        return ("The journal is empty.",)
    told = []
    if covered(kept, span):
        told.append(f"The journal covers the span: its oldest event is of {moment(kept.first_at)}.")
    elif kept.first_at >= span.last:
        told.append(
            f"The journal has NOTHING of the span: its oldest event is of {moment(kept.first_at)}."
        )
    else:
        told.append(
            f"The journal does NOT cover all of the span: its oldest event is of "
            f"{moment(kept.first_at)}. What was before is not in this report."
        )
    if kept.pruned:
        when = "none of the span" if covered(kept, span) else "also some of the span, or all"
        told.append(
            f"Retention removed {count(kept.pruned, 'event', 'events')}, 1 to {kept.pruned:,}: "
            f"{when}. What stood then (baselines, open work) was kept as a state and is used here."
        )
    else:
        told.append("Retention has removed no event.")
    if kept.keep_days is not None:
        days = count(kept.keep_days, "day", "days")
        short = "" if kept.keep_days >= THREE_YEARS else ", which is less than three years"
        told.append(f"Events are kept for {days}{short}.")
    if span.last - kept.last_at > DAY:  # every relay that is read is noted once a day
        told.append(
            f"The newest event is of {moment(kept.last_at)}; from then to the end of the span "
            "nothing was recorded."
        )
    return tuple(told)


def proves(asset_classes: Collection[str]) -> tuple[str, ...]:
    """In plain words, for somebody who did not make it."""
    rated = ", ".join(asset_classes) or "not known"
    return (
        "Baseline item 1.1.1 (CIP-010-4): the firmware that each relay told over the network, or "
        "that a person read at its front panel, beside what was accepted, by whom and why.",
        "That every change of it which lasted from one reading to the next is listed, with the "
        "work that it was planned by, or the investigation that it led to.",
        "When each relay was read, and on which days it was not.",
        "That nothing in the journal was altered afterwards, as far as its chain of hashes shows; "
        "anybody can follow it again with the journal file.",
        f"The impact rating of the site file in the span: {rated}. It is what somebody entered, "
        "and not found out here.",
    )


DOES_NOT: Final = (
    "Items 1.1.2 to 1.1.4 (other software, ports) are not read. Item 1.1.5 (patches) only as far "
    "as a version tells of them or a person entered it: work, evaluations, package checks.",
    "A change that came and went between two readings is not seen. Firmware that lies about its "
    "version is believed.",
    "Who people are: names are as they gave them, or as they signed in. That work was permitted by "
    "whoever may permit it stands in the work order that it refers to.",
    "That a relay trips: a verification compares readings, and only a functional test that "
    "somebody noted says more.",
    "The checks of security controls before and after a change (part 1.4) beyond the lines listed "
    "here, and tests before production (part 1.5).",
    "That the end of the journal was not cut off, unless its head was noted elsewhere and "
    "compared. Times are of the clock of the poller's computer.",
)
