"""What devices do wrong, in one table. Pure: a proper reply and chance in, what goes out instead.

A kind acts on a reply or on a connection. Delays are seconds after the proper moment. Chance is
handed in, so that the same seed gives the same faults.
Source of the rules that are broken here: MODBUS Messaging on TCP/IP Implementation Guide V1.0b,
4.2 and 4.4; exceptions: MODBUS Application Protocol Specification V1.1b3, 7.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from random import Random
from typing import Final, Literal, TypeAlias

EXCEPTION: Final = 0x80
IDENTIFY: Final = 43
HEADER: Final = struct.Struct(">HHHB")
Parameters: TypeAlias = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Step:
    """data goes out after_s later than it should; None closes the connection instead.

    with_next: it waits until the next request is there, and goes out before that one's reply.
    """

    data: bytes | None
    after_s: float = 0.0
    with_next: bool = False


@dataclass(frozen=True, slots=True)
class Adu:
    """A frame taken apart, its header wrong or right."""

    transaction: int
    unit: int
    pdu: bytes
    protocol: int = 0

    def bytes(self) -> bytes:
        return HEADER.pack(self.transaction, self.protocol, len(self.pdu) + 1, self.unit) + self.pdu


Wrong: TypeAlias = Callable[[Adu, Parameters, Random], Sequence[Step]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    default: float
    least: float
    most: float
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """acts_on connection: who serves it does it, `wrong` is not used."""

    says: str
    acts_on: Literal["reply", "connection"] = "reply"
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    wrong: Wrong | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One fault that is on. chance: of each reply; times: replies it spoils at most, 0 for all."""

    kind: str
    chance: float = 1.0
    times: int = 0
    parameters: Parameters = field(default_factory=dict)

    def value(self, name: str) -> float:
        return self.parameters.get(name, KINDS[self.kind].parameters[name].default)


@dataclass(slots=True)
class On:
    """A plan that is on, and how many replies it has spoiled."""

    plan: Plan
    spoiled: int = 0


@dataclass(slots=True)
class Spoiler:
    """The faults of one relay; the first whose chance hits has the reply."""

    random: Random
    on: list[On] = field(default_factory=list)

    def put_on(self, plan: Plan) -> None:
        """Takes the place of an earlier plan of that kind."""
        self.take_off(plan.kind)
        self.on.append(On(plan))

    def take_off(self, kind: str | None) -> bool:
        """None: all kinds. False where none of that kind was on."""
        left = [one for one in self.on if kind is not None and one.plan.kind != kind]
        found = len(left) < len(self.on)
        self.on = left
        return found

    def steps(self, reply: bytes) -> list[Step]:
        """What goes out for a proper reply, a whole frame."""
        for one in list(self.on):
            plan, wrong = one.plan, KINDS[one.plan.kind].wrong
            if wrong is None or self.random.random() >= plan.chance:
                continue
            one.spoiled += 1
            if one.spoiled == plan.times:
                self.on.remove(one)
            given = {name: plan.value(name) for name in KINDS[plan.kind].parameters}
            transaction, protocol, _, unit = HEADER.unpack_from(reply)
            return list(wrong(Adu(transaction, unit, reply[7:], protocol), given, self.random))
        return [Step(reply)]

    def plan(self, kind: str) -> Plan | None:
        """The plan of that kind, where one is on; who serves connections asks for it."""
        return next((one.plan for one in self.on if one.plan.kind == kind), None)


@dataclass(slots=True)
class Line:
    """What one connection still owes: replies that wait for the next request."""

    held: list[Step] = field(default_factory=list)

    def order(self, steps: Sequence[Step]) -> list[Step]:
        """The steps of one request as they go out now, those of the last one first."""
        out = [Step(step.data, step.after_s) for step in self.held]
        self.held = [step for step in steps if step.with_next]
        return out + [step for step in steps if not step.with_next]


def _late_by(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    return [Step(reply.bytes(), given["seconds"] + random.random() * given["jitter_s"])]


def _silent(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    return []


def _with_next(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    return [Step(reply.bytes(), with_next=True)]


def _other_transaction(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    other = (reply.transaction + int(given["off"])) % 65_536
    return [Step(Adu(other, reply.unit, reply.pdu).bytes())]


def _other_unit(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    other = (reply.unit + int(given["off"])) % 256
    return [Step(Adu(reply.transaction, other, reply.pdu).bytes())]


def _other_protocol(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    return [Step(Adu(reply.transaction, reply.unit, reply.pdu, protocol=0x1234).bytes())]


def _other_function(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    other = {1: 2, 2: 1, 3: 4, 4: 3}.get(reply.pdu[0] & 0x7F, 3) | reply.pdu[0] & EXCEPTION
    return [Step(Adu(reply.transaction, reply.unit, bytes([other]) + reply.pdu[1:]).bytes())]


def _fewer(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    """Header and count agree with each other, and not with what was asked."""
    start, octets = _body(reply.pdu)
    if start is None or octets < 2:
        return [Step(reply.bytes())]
    cut = 2 if reply.pdu[0] in (3, 4) else 1
    pdu = reply.pdu[:-cut]
    if reply.pdu[0] != IDENTIFY:
        pdu = pdu[:1] + bytes([pdu[1] - cut]) + pdu[2:]
    return [Step(Adu(reply.transaction, reply.unit, pdu).bytes())]


def _cut_off(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    whole = reply.bytes()
    return [Step(whole[: max(1, len(whole) - int(given["octets"]))])]


def _pieces(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    whole, count = reply.bytes(), int(given["pieces"])
    cuts = sorted(random.sample(range(1, len(whole)), min(count - 1, len(whole) - 1)))
    edges = [0, *cuts, len(whole)]
    return [
        Step(whole[start:end], at * given["gap_s"])
        for at, (start, end) in enumerate(pairwise(edges))
    ]


def _two(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    """One that nobody asked for and the right one, in one segment."""
    stray = Adu((reply.transaction - 1) % 65_536, reply.unit, reply.pdu)
    return [Step(stray.bytes() + reply.bytes())]


def _twice(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    """The second one can come when the next request is under way already."""
    return [Step(reply.bytes()), Step(reply.bytes(), given["gap_s"])]


def _garbage(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    return [Step(random.randbytes(int(given["octets"])))]


def _hang_up(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    return [Step(None)]


def _exception(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    pdu = bytes([reply.pdu[0] | EXCEPTION, int(given["code"])])
    return [Step(Adu(reply.transaction, reply.unit, pdu).bytes())]


def _half_written(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    """Texts end in erased memory; values that are no text stay."""
    pdu, start = bytearray(reply.pdu), _body(reply.pdu)[0]
    at = len(pdu) if start is None else start
    while at < len(pdu):
        end = at
        while end < len(pdu) and 0x20 <= pdu[end] < 0x7F:
            end += 1
        if end - at >= 4:
            kept = random.randrange(end - at)
            pdu[at + kept : end] = b"\xff" * (end - at - kept)
        at = max(end, at + 1)
    return [Step(Adu(reply.transaction, reply.unit, bytes(pdu)).bytes())]


def _corrupted(reply: Adu, given: Parameters, random: Random) -> list[Step]:
    """One octet of the values differs; the header and the count are right."""
    pdu, (start, octets) = bytearray(reply.pdu), _body(reply.pdu)
    if start is not None and octets > 0:
        pdu[start + random.randrange(octets)] ^= random.randrange(1, 256)
    return [Step(Adu(reply.transaction, reply.unit, bytes(pdu)).bytes())]


def _body(pdu: bytes) -> tuple[int | None, int]:
    """Where the values of a reply begin and how many octets they take; None for an exception."""
    if pdu[0] & EXCEPTION or len(pdu) < 3:
        return None, 0
    if pdu[0] == IDENTIFY:
        return (9, len(pdu) - 9) if len(pdu) > 9 else (None, 0)  # behind the first object's head
    return 2, len(pdu) - 2


_SECONDS: Final = Parameter(default=1.0, least=0.0, most=3_600, says="how long")
KINDS: Final[dict[str, Kind]] = {
    "delay": Kind(
        says="answers later",
        parameters={
            "seconds": _SECONDS,
            "jitter_s": Parameter(default=0.0, least=0.0, most=60, says="up to so much more"),
        },
        wrong=_late_by,
    ),
    "no_reply": Kind(says="takes the request and says nothing", wrong=_silent),
    "late": Kind(says="answers when the next request is there already", wrong=_with_next),
    "wrong_transaction": Kind(
        says="answers under another transaction id",
        parameters={"off": Parameter(default=1, least=1, most=65_535, says="by how much")},
        wrong=_other_transaction,
    ),
    "wrong_unit": Kind(
        says="answers as another unit",
        parameters={"off": Parameter(default=1, least=1, most=255, says="by how much")},
        wrong=_other_unit,
    ),
    "wrong_protocol": Kind(says="answers under a protocol id that is not 0", wrong=_other_protocol),
    "wrong_function": Kind(says="answers with another function code", wrong=_other_function),
    "short": Kind(says="answers with less than was asked for", wrong=_fewer),
    "cut_off": Kind(
        says="stops in the middle of a frame",
        parameters={"octets": Parameter(default=1, least=1, most=259, says="missing at the end")},
        wrong=_cut_off,
    ),
    "split": Kind(
        says="sends a frame in pieces",
        parameters={
            "pieces": Parameter(default=3, least=2, most=20, says="how many"),
            "gap_s": Parameter(default=0.02, least=0.0, most=10, says="between two pieces"),
        },
        wrong=_pieces,
    ),
    "two_frames": Kind(says="sends a stray frame and the answer in one segment", wrong=_two),
    "twice": Kind(
        says="answers, and gives the same answer again",
        parameters={"gap_s": Parameter(default=0.05, least=0.0, most=60, says="after the first")},
        wrong=_twice,
    ),
    "garbage": Kind(
        says="sends octets that are no frame",
        parameters={"octets": Parameter(default=32, least=1, most=1_024, says="how many")},
        wrong=_garbage,
    ),
    "exception": Kind(
        says="answers with an exception",
        parameters={"code": Parameter(default=4, least=1, most=11, says="its code, 1 to 11")},
        wrong=_exception,
    ),
    "busy": Kind(
        says="is busy: exception 06",
        parameters={"code": Parameter(default=6, least=6, most=6, says="always 6")},
        wrong=_exception,
    ),
    "half_written": Kind(says="shows texts whose end is erased memory", wrong=_half_written),
    "corrupted": Kind(says="answers with one wrong octet under a right header", wrong=_corrupted),
    "hang_up": Kind(says="closes the connection instead of an answer", wrong=_hang_up),
    "slots": Kind(
        says="has client slots for so many connections, and closes further ones at once",
        acts_on="connection",
        parameters={"slots": Parameter(default=0, least=0, most=16, says="how many are left")},
    ),
    "idle_close": Kind(
        says="closes a connection on which nothing is asked",
        acts_on="connection",
        parameters={"seconds": Parameter(default=5.0, least=0.05, most=3_600, says="after")},
    ),
    "refuse": Kind(says="refuses connections and drops those it has", acts_on="connection"),
}
