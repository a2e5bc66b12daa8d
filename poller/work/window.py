"""When work is to be done: local times of a time zone as people write them, into UTC.

Where a clock change makes a local time impossible, or makes it come twice, it is refused with the
mend; nobody guesses which was meant. A window is as long as its start and end say: the night in
which the clock goes forward is an hour shorter than its hands show.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from poller.model import limits
from poller.model.refusal import Refusal

MINUTE: Final = "%Y-%m-%d %H:%M"


def window(start_text: str, end_text: str, zone: str) -> tuple[datetime, datetime]:
    """UTC. Texts: 2026-03-01 09:00, with seconds or not, and with an offset where it must be said.

    zone: IANA name, Europe/Berlin. Raises Refusal with the mend.
    """
    place = zone_named(zone)
    start, end = instant(start_text, place), instant(end_text, place)
    fits(start, end)
    return start, end


def fits(start: datetime, end: datetime) -> None:
    """Raises Refusal where it ends before it starts, or is longer than work lasts."""
    if end <= start:
        raise Refusal("the work would end before it starts: give an end that comes after the start")
    days = limits.WORK_WINDOW_DAYS_MAX
    if end - start > timedelta(days=days):
        raise Refusal(
            f"more than {days} days from start to end: any change in all that time would pass for "
            "planned; give each outage a window of its own"
        )


def zone_named(zone: str) -> ZoneInfo:
    """Raises Refusal for a name that the time zone database does not have."""
    if len(zone) <= limits.TEXT_MAX:
        try:
            return ZoneInfo(zone)
        except (LookupError, ValueError, OSError):  # also names of folders, and paths elsewhere
            pass
    raise Refusal(
        f"{zone[: limits.SENTENCE_TEXT_MAX]}: no time zone of that name; "
        "give an IANA name, for example Europe/Berlin or UTC"
    )


def instant(text: str, zone: ZoneInfo) -> datetime:
    """One local time in UTC. Raises Refusal where there is none such, or there are two."""
    try:
        given = datetime.fromisoformat(text)
        if given.tzinfo is not None:
            return _with_offset(text, given, zone)
        early, late = _readings(given, zone)
    except (ValueError, OverflowError):
        shown = text[: limits.SENTENCE_TEXT_MAX]
        raise Refusal(f"{shown}: no time; write it as 2026-03-01 09:00") from None
    if len({early, late}) == 1:
        return early
    if not _shows(early, given, zone):
        # read with the offset before the gap and with the one after it: the times beside it
        before, after = sorted(at.astimezone(zone) for at in (early, late))
        raise Refusal(
            f"{text}: the clock of {zone.key} is put forward then and never shows this time; "
            f"did you mean {before:{MINUTE}} or {after:{MINUTE}}?"
        )
    choice = " or ".join(at.astimezone(zone).isoformat(timespec="minutes") for at in (early, late))
    raise Refusal(
        f"{text}: the clock of {zone.key} is put back then and shows this time twice; "
        f"write {choice}"
    )


def _readings(given: datetime, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """In UTC: as the clock before a change would mean it, and the one after."""
    early, late = (given.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    return early, late


def _shows(at: datetime, given: datetime, zone: ZoneInfo) -> bool:
    return at.astimezone(zone).replace(tzinfo=None) == given.replace(fold=0)


def _with_offset(text: str, given: datetime, zone: ZoneInfo) -> datetime:
    """The offset says which of two times is meant; it must be one that the zone has then."""
    at = given.astimezone(UTC)
    local = at.astimezone(zone)
    if local.utcoffset() != given.utcoffset():
        raise Refusal(
            f"{text}: {zone.key} is not at that offset then; "
            f"write {local.isoformat(timespec='minutes')}"
        )
    return at
