"""A recorded event as one message of RFC 5424: which events are told, how, and within how many
octets."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum
from typing import Final

from poller.answers.sentences import sentence
from poller.journal.ports import Head
from poller.model import limits
from poller.model.alarms import Audience, Happening, Priority
from poller.model.canonical import stamp
from poller.model.events import AlarmMoved, ChangeClass, Event, NameplateChanged, Recorded
from poller.model.standing import State
from poller.model.text import CUT, shown

APP: Final = "bayroll"
HEAD: Final = "journal_head"  # the MSGID of what is no event: where the journal stands
BOM: Final = b"\xef\xbb\xbf"
SEQUENCE_MAX: Final = 2_147_483_647  # RFC 5424, 7.3.1; after it comes 1


class Severity(IntEnum):
    """RFC 5424, 6.2.1, those that are used."""

    CRITICAL = 2
    ERROR = 3
    WARNING = 4
    NOTICE = 5
    INFORMATIONAL = 6


# What is told. Of several rules that fit an event the first one counts; what fits none stays here.

ALARM: Final = {
    Priority.HIGH: Severity.CRITICAL,
    Priority.MEDIUM: Severity.ERROR,
    Priority.LOW: Severity.WARNING,
}
"""Security events that come; all else about them is a notice. RFC 5674, 2: major, minor, warning
and cleared. Critical to it is the loss of a service, which no alarm here tells of."""

EXPECTED: Final = frozenset({ChangeClass.PLANNED, ChangeClass.TEXT_ONLY})
"""Changes of a nameplate that are not told; all others are, as warnings."""

ALWAYS: Final = {
    "investigation_opened": Severity.WARNING,
    "rule_overridden": Severity.WARNING,
    "clock_stepped": Severity.WARNING,
    "output_gap": Severity.WARNING,
    "access_refused": Severity.WARNING,
    "session_changed": Severity.NOTICE,
    "service_started": Severity.NOTICE,
    "service_stopped": Severity.NOTICE,
    "site_loaded": Severity.NOTICE,
    "pruned": Severity.NOTICE,
}
BY_A_PERSON: Final = Severity.NOTICE
"""Whatever else somebody did: acknowledged, shelved, accepted, entered, planned, paused."""


def severity(event: Event) -> Severity | None:
    """None: it is not told."""
    body = event.body
    if isinstance(body, AlarmMoved) and Audience.SECURITY_EVENT in body.audience:
        comes = body.happening in (Happening.OCCURS, Happening.RELEASED_ALARM)
        return ALARM[body.priority] if comes else Severity.NOTICE
    if isinstance(body, NameplateChanged) and body.change not in EXPECTED:
        return Severity.WARNING
    return ALWAYS.get(body.kind, None if event.by is None else BY_A_PERSON)


DETAILS: Final = (
    *("alarm", "priority", "happening", "change", "work", "investigation"),
    *("user", "what", "address", "times"),
)
"""Members of a body that stand in the structured data, where the body has them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sender:
    """Who tells, and how. hostname, procid: printable ASCII without spaces. enterprise: a private
    enterprise number, which RFC 5424, 7.2.2 asks for in names of one's own. octets_max: of a
    message; from 480, which every receiver takes. clock_kept: as in ports.Context."""

    site: str
    version: str
    hostname: str
    procid: str
    facility: int
    enterprise: int
    octets_max: int
    clock_kept: Callable[[], bool | None]

    def of_event(self, recorded: Recorded, state: State, number: int) -> bytes:
        """Of an event that has a severity. state: any that knows its relay. number: sequenceId."""
        event = recorded.event
        level = severity(event)
        assert level is not None, event.body.kind
        own = {"seq": str(recorded.seq), "id": recorded.id, "hash": recorded.hash}
        start = self._start(level, event.at, event.body.kind, own, _details(event), number)
        return start + _text(sentence(event, state), self.octets_max - len(start))

    def of_head(self, head: Head, at: datetime, number: int) -> bytes:
        """Where the journal stands: what a tail that was cut off does not agree with."""
        own = {"seq": str(head.seq), "hash": head.hash}
        start = self._start(Severity.INFORMATIONAL, at, HEAD, own, {}, number)
        text = f"The journal ends with event {head.seq}, {head.hash}."
        return start + _text(text, self.octets_max - len(start))

    def _start(
        self,
        level: Severity,
        at: datetime,
        kind: str,
        own: Mapping[str, str],
        details: dict[str, str],
        number: int,
    ) -> bytes:
        """Up to the text, which has what room is left. In too little room details go, from the
        last, then what tells the software; a name and its value are whole or not there."""
        head = (
            f"<{self.facility * 8 + level}>1 {stamp(at)} {self.hostname} {APP} {self.procid} {kind}"
        )
        origin = _element("origin", {"software": APP, "swVersion": self.version})
        # RFC 5424, 7.1: of a clock that is not known to be kept it says that it is not
        synced = "1" if self.clock_kept() else "0"
        last = _element("meta", {"sequenceId": str(number)})
        last += _element("timeQuality", {"tzKnown": "1", "isSynced": synced})
        while True:
            named = {"site": self.site, **own, **details}
            data = _element(f"{APP}@{self.enterprise}", named) + origin + last
            start = f"{head} {data}".encode()
            if len(start) <= self.octets_max or not origin:
                return start
            if details:
                details.popitem()
            else:
                origin = ""


def number_after(number: int) -> int:
    """The sequenceId that follows."""
    return number % SEQUENCE_MAX + 1


def framed(message: bytes) -> bytes:
    """RFC 5425, 4.3: its length in octets, a space, and the message."""
    return b"%d %s" % (len(message), message)


def _details(event: Event) -> dict[str, str]:
    return dict(_told(event))


def _told(event: Event) -> Iterator[tuple[str, str]]:
    if event.subject:
        yield "subject", event.subject
    for name in DETAILS:
        value = getattr(event.body, name, None)
        if value is not None:
            yield name, str(value)
    if event.by is not None:
        yield "by", event.by


def _element(name: str, parameters: Mapping[str, str]) -> str:
    """RFC 5424, 6.3. Values are cut and hold no character that moves a cursor or ends a line."""
    told = "".join(f' {key}="{_value(value)}"' for key, value in parameters.items())
    return f"[{name}{told}]"


def _value(text: str) -> str:
    safe = shown(text, limits.TEXT_MAX)
    return "".join(f"\\{one}" if one in '"\\]' else one for one in safe)


def _text(text: str, room: int) -> bytes:
    """RFC 5424, 6.4: a space, the byte order mark, and UTF-8; nothing where there is no room.

    text: has no half of a surrogate pair.
    """
    octets, most = text.encode(), room - len(BOM) - 1
    if len(octets) > most:
        kept = octets[: max(0, most - len(CUT.encode()))].decode(errors="ignore")
        octets = f"{kept}{CUT}".encode() if kept else b""
    return b" " + BOM + octets if octets else b""
