"""The alarms of a period, from a journal: what the command line and the page both tell."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from poller.alarms.measures import Measures, measured
from poller.journal import Journal
from poller.model.events import AlarmInhibited, AlarmMoved, Event
from poller.site.alarm_catalogue import Catalogue

KINDS: Final = (AlarmMoved.kind, AlarmInhibited.kind)


def measures_of(
    journal: Journal, first: datetime, last: datetime, catalogue: Catalogue | None
) -> Measures | None:
    """Of the part of first to last for which there is a journal; None: there is none of it.

    Reads every event about an alarm. catalogue: None where it can't be read.
    """
    oldest = journal.read(0, 1)
    begins = max(first, oldest[0].event.at) if oldest else last
    if begins >= last:
        return None
    return measured(
        _events(journal),
        begins,
        last,
        None if catalogue is None else catalogue.targets,
        None if catalogue is None else catalogue.chattering,
    )


def _events(journal: Journal) -> Iterator[Event]:
    after = 0
    while batch := journal.history(kinds=KINDS, after=after):
        yield from (one.event for one in batch)
        after = batch[-1].seq
