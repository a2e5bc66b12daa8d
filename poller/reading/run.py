"""One pass over a relay as a dialogue: yields requests, is sent outcomes, returns what was read.

No socket here: whoever drives it asks the relay. Exception codes are told apart as
MODBUS Application Protocol Specification V1.1b3, clause 7 gives them.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Final, TypeAlias

from poller.reading.exchange import Garbled, NoReply, Outcome, Refused, Reply
from poller.reading.frames import Request
from poller.reading.identification import BadObjects, Identification
from poller.reading.read_plan import Pass

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
LATER: Final = frozenset({5, 6})  # acknowledge and busy: ask again later, no fault
AWAY: Final = frozenset({0x0A, 0x0B})  # the gateway answers for a unit that does not
EXCEPTIONS: Final = {
    0x01: "ILLEGAL FUNCTION",
    0x02: "ILLEGAL DATA ADDRESS",
    0x03: "ILLEGAL DATA VALUE",
    0x04: "SERVER DEVICE FAILURE",
    0x05: "ACKNOWLEDGE",
    0x06: "SERVER DEVICE BUSY",
    0x08: "MEMORY PARITY ERROR",
    0x0A: "GATEWAY PATH UNAVAILABLE",
    0x0B: "GATEWAY TARGET DEVICE FAILED TO RESPOND",
}

Asking: TypeAlias = Generator[Request, Outcome, "PassRead"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PassRead:
    """replies: one a request of pass_; None where the relay refused it.

    objects: identification objects by id. trouble: why the pass is not complete.
    pass_: as asked in the end, blocks split where a relay refused an address inside one.
    begun: as it was asked at first.
    """

    begun: Pass
    pass_: Pass
    replies: tuple[bytes | None, ...]
    objects: dict[int, bytes]
    trouble: NoReply | Refused | Garbled | None = None

    @property
    def complete(self) -> bool:
        return self.trouble is None

    @property
    def learned(self) -> Pass:
        """What to ask next time. A split is kept only if it got an answer: a relay whose registers
        have moved refuses every part, and its old map is not at fault."""
        whole = frozenset(self.begun.requests)
        pairs = zip(self.pass_.requests, self.replies, strict=False)
        better = any(reply is not None and request not in whole for request, reply in pairs)
        return self.pass_ if better else self.begun


def is_later(trouble: Outcome | None) -> bool:
    """The relay is busy: it is there, and this was not the moment."""
    return isinstance(trouble, Refused) and trouble.code in LATER


def is_away(trouble: Outcome | None) -> bool:
    """Nothing of this relay answered."""
    return isinstance(trouble, NoReply | Garbled) or (
        isinstance(trouble, Refused) and trouble.code in AWAY
    )


def describe(trouble: Outcome | None) -> str:
    """Why a pass is not complete, for people."""
    match trouble:
        case Refused(code=code):
            return f"exception {code:02X}, {EXCEPTIONS.get(code, 'unknown').lower()}"
        case NoReply(reason=reason):
            return reason
        case Garbled(reason=reason):
            return f"garbled: {reason}"
        case _:
            return "nothing is wrong"


def run(pass_: Pass) -> Asking:
    """Asks for every block, then for the identification objects.

    A block refused with 02 is split at its field borders; a single field refused is left out and
    the pass goes on, with that refusal as its trouble. Busy, away and silence end the pass.
    """
    begun, replies = pass_, list[bytes | None]()
    refused: Refused | None = None

    def ended(objects: dict[int, bytes], trouble: NoReply | Refused | Garbled | None) -> PassRead:
        return PassRead(
            begun=begun, pass_=pass_, replies=tuple(replies), objects=objects, trouble=trouble
        )

    while len(replies) < len(pass_.requests):
        at = len(replies)
        outcome = yield pass_.requests[at]
        match outcome:
            case Reply(pdu=pdu):
                replies.append(pdu)
            case Refused(code=code) if code not in LATER | AWAY:
                split = pass_.split(at) if code == ILLEGAL_ADDRESS else pass_
                if split == pass_:
                    replies.append(None)
                    refused = refused or outcome
                pass_ = split
            case NoReply() | Garbled() | Refused():
                return ended({}, outcome)
    if pass_.identification is None:
        return ended({}, refused)
    identification = Identification(*pass_.identification)
    while (request := identification.request) is not None:
        outcome = yield request
        match outcome:
            case Reply(pdu=pdu):
                try:
                    identification.feed(pdu)
                except BadObjects as bad:
                    trouble = Garbled(reason=str(bad))
                    return ended(identification.objects, trouble)
            case Refused(code=code) if code == ILLEGAL_ADDRESS and identification.single:
                identification.absent()
            case NoReply() | Garbled() | Refused():
                return ended(identification.objects, outcome)
    return ended(identification.objects, refused)
