"""A relay list drafted from a station description (SCL), for a person to finish.

An address in the file says where an IED speaks MMS. It proves neither that Modbus is there nor that
the IED is a relay, so nothing of that is written: the draft says what the file says, and leaves out
the maps. Element and attribute names: IEC 61850-6, editions 1 and 2, from memory; swRev, configRev:
LPL of IEC 61850-7-3.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from poller.model.problems import Problem
from poller.site import scl_draft
from poller.site.hostile_xml import Wanted, events
from poller.site.scl_file import NAMESPACE, Collector, is_text, is_wanted, leads

WANTED: Final = Wanted(
    root="SCL", namespace=NAMESPACE, path=is_wanted, text=is_text, leads=leads, apart="Private"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """text: a site file in YAML. notes: what a person should look at. drafted: entries to poll."""

    text: str
    notes: tuple[Problem, ...]
    drafted: int


def draft_site(chunks: Iterable[bytes], file: str) -> Draft:
    """The site file that an SCL file (SCD, CID, ICD, IID) gives reason for.

    chunks: its octets in pieces of any length, 64 KiB for speed. Raises Faulty where the file is no
    SCL or is hostile: a document type, or more of anything than limits allow.
    """
    found = Collector(file)
    for event in events(chunks, file, WANTED):
        found.take(event)
    station = found.station()
    text, notes, drafted = scl_draft.write(station, file)
    return Draft(text=text, notes=tuple(notes), drafted=drafted)
