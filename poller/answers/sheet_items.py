"""The words of the work sheet: what a person does, saves, checks and signs.

Common practice, no published source. What a family's own procedure says is quoted beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from poller.model.work import NoteKind, WorkKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One box to tick. blanks: what is to be written beside it.

    noted: the kind of note that records it; kinds: work it is for, empty for any.
    """

    says: str
    blanks: tuple[str, ...] = ("by", "at")
    noted: NoteKind | None = None
    kinds: frozenset[WorkKind] = frozenset()


FIRMWARE: Final = frozenset({WorkKind.UPDATE, WorkKind.ROLLBACK})
SWAPPED: Final = frozenset({WorkKind.REPLACEMENT})

CAUTIONS: Final = (
    "Isolate every trip, intertrip and breaker failure start of this relay before the work, as the "
    "isolation scheme of the bay says.",
    "Switching orders, permits to work and local codes stand above this sheet.",
    "People who are licensed for this practice decide what is done, in which order, and whether "
    "the relay returns to service.",
    "What Bayroll read never replaces a check at the relay: a relay that answers, with the version "
    "that was planned, is not thereby a relay that trips.",
)

BEFORE: Final = (
    Item(
        says="Position, device and serial number compared with this sheet, at the relay itself.",
    ),
    Item(
        says="Trips, intertrips and breaker failure starts isolated; isolation proven.",
        blanks=("isolation reference", "switching order or permit", "by", "at"),
    ),
    Item(
        says="Settings and configuration read back from the relay since their last change, saved, "
        "and the copy opened.",
        blanks=("file", "by", "at"),
        noted=NoteKind.READ_BACK,
    ),
    Item(
        says="Disturbance records, event records and fault reports saved, and the copies opened.",
        blanks=("folder", "by", "at"),
        noted=NoteKind.RECORDS_SAVED,
    ),
    Item(
        says="Counters written down: trips, closings, switched current, energy.",
        blanks=("where", "by", "at"),
    ),
    Item(
        says="Passwords and users: known how they are set again, and by whom.",
    ),
    Item(
        says="Certificates and keys: saved, or known how new ones are issued.",
    ),
    Item(
        says="Firmware package: checksum compared with the maker's; it fits hardware version and "
        "order code.",
        blanks=("package", "checksum", "by"),
        kinds=FIRMWARE,
    ),
    Item(
        says="The box that is fitted: serial number, order code and firmware compared with this "
        "sheet; tested before.",
        blanks=("serial number", "tested on", "by"),
        kinds=SWAPPED,
    ),
)
DURING: Final = (
    Item(says="Begun; Bayroll no longer asks the relay (bayroll work start)."),
    Item(says="Connected again; Bayroll may look at it (bayroll work end)."),
)
AFTER: Final = (
    Item(says="Clock right, and set by its time source.", blanks=("clock", "by", "at")),
    Item(says="Addresses as before: network, station bus, serial unit.", blanks=("by", "at")),
    Item(
        says="Settings read back and compared with the file that was to be loaded; active setting "
        "group as before.",
        blanks=("result", "by", "at"),
    ),
    Item(
        says="SCADA points: each indication, measured value and command checked to the control "
        "centre.",
    ),
    Item(says="GOOSE and sampled value subscriptions received; those it sends are received."),
    Item(says="Lifecycle warnings cleared as the family's procedure says; health ok."),
    Item(
        says="Passwords and users set; certificates valid; services that were opened for the work "
        "closed.",
    ),
    Item(
        says="Functional test passed: each protection function in use, to the trip; counters "
        "written down.",
        blanks=("test report", "by", "at"),
        noted=NoteKind.TESTED,
    ),
    Item(
        says="Not left in test or blocked; isolation removed in its order, checked by a second "
        "person.",
        blanks=("by", "second person", "at"),
    ),
    Item(
        says="Returned to service.",
        blanks=("released by", "at"),
    ),
)
STOP: Final = (
    "The relay stays isolated.",
    "Check that hardware version and order code fit the package, the package itself, and the "
    "settings.",
)
RETRY: Final = {
    True: "With the version from before still in it, one more try is permitted by the family's "
    "procedure; with any other, ask before one. Then roll back, or fit a spare.",
    False: "No second try: roll back, or fit a spare.",
    None: "No step of the approved list says whether a second try is permitted; ask before one.",
}
SIGNED: Final = ("Isolated by", "Worked on by", "Tested by", "Returned to service by")
