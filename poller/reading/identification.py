"""Read Device Identification (FC 43 / MEI 14): one answer taken apart, and the whole dialogue.

Source: MODBUS Application Protocol Specification V1.1b3, 6.21. Strict: declared lengths and counts
must fill the answer exactly; a device that loops or never ends is garbled.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

from poller.model import limits
from poller.reading.frames import IDENTIFY, MEI_IDENTIFY, Request, identify

Kind: TypeAlias = Literal["basic", "regular", "extended", "individual"]
READ_CODE: Final[dict[Kind, int]] = {"basic": 1, "regular": 2, "extended": 3, "individual": 4}
HEAD_OCTETS: Final = 7  # function, MEI, read code, conformity, more follows, next object, count
MORE: Final = 0xFF


class BadObjects(Exception):
    """The answer is malformed; the text says how."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Objects:
    """One answer. next_object: where the next request begins; None: there is no more."""

    objects: dict[int, bytes]
    next_object: int | None


def read_objects(request: Request, pdu: bytes) -> Objects:
    """Takes an answer apart. Raises BadObjects."""
    if len(pdu) < HEAD_OCTETS:
        raise BadObjects(f"an identification of {len(pdu)} octets, at least {HEAD_OCTETS} needed")
    _, mei, code, _, more, following, count = pdu[:HEAD_OCTETS]
    if pdu[0] != IDENTIFY or mei != MEI_IDENTIFY:
        raise BadObjects(f"MEI type {mei}, not {MEI_IDENTIFY}")
    # a device that tells less than it was asked for says so by its conformity, not by this octet
    if code != request.read_code:
        raise BadObjects(f"read code {code} in answer to {request.read_code}")
    if more not in (0, MORE):
        raise BadObjects(f"more follows is {more:#04x}, not 0x00 or 0xff")
    objects: dict[int, bytes] = {}
    at = HEAD_OCTETS
    for _ in range(count):
        if at + 2 > len(pdu):
            raise BadObjects(f"{count} objects said, the answer ends in number {len(objects) + 1}")
        number, length = pdu[at], pdu[at + 1]
        at += 2
        if at + length > len(pdu):
            raise BadObjects(f"object {number}: {length} octets said, {len(pdu) - at} there")
        if number in objects:
            raise BadObjects(f"object {number} twice in one answer")
        objects[number] = pdu[at : at + length]
        at += length
    if at != len(pdu):
        raise BadObjects(f"{len(pdu) - at} octets behind the last object")
    if code == READ_CODE["individual"] and (more or list(objects) != [request.object_id]):
        raise BadObjects(f"objects {list(objects)} in answer to {request.object_id} alone")
    return Objects(objects=objects, next_object=following if more == MORE else None)


@dataclass(slots=True)
class Identification:
    """The dialogue: `request` is what to ask now, None at the end; `feed` takes the answer's PDU.

    wanted: object ids; streams are followed to their end whatever is wanted.
    """

    kind: Kind
    wanted: frozenset[int]
    objects: dict[int, bytes] = field(default_factory=dict)
    request: Request | None = None
    _turns: int = 0
    _left: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._left = sorted(self.wanted)
        self.request = self._next_single() if self.single else self._stream(0)

    def feed(self, pdu: bytes) -> None:
        """Raises BadObjects where the device loops, repeats itself or never ends."""
        assert self.request is not None, "fed after the end"
        self._turns += 1
        answer = read_objects(self.request, pdu)
        if self.single:
            self.objects |= answer.objects
            self.request = self._next_single()
            return
        repeated = self.objects.keys() & answer.objects.keys()
        if repeated:
            raise BadObjects(f"object {min(repeated)} again: the stream goes in a circle")
        self.objects |= answer.objects
        if answer.next_object is None:
            self.request = None
        elif not answer.objects:
            raise BadObjects("more follows, and nothing came")
        elif answer.next_object in self.objects or self._turns >= limits.IDENTIFICATION_TURNS_MAX:
            raise BadObjects(f"the stream does not end: {self._turns} answers")
        else:
            self.request = self._stream(answer.next_object)

    @property
    def single(self) -> bool:
        """Objects are asked for one by one."""
        return self.kind == "individual"

    def absent(self) -> None:
        """The device refused the single object asked for (exception 02): it has none."""
        self.request = self._next_single()

    def _stream(self, object_id: int) -> Request:
        return identify(READ_CODE[self.kind], object_id)

    def _next_single(self) -> Request | None:
        return identify(READ_CODE["individual"], self._left.pop(0)) if self._left else None
