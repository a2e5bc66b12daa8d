"""The object lists of Read Device Identification, read strictly.

Source: MODBUS Application Protocol Specification V1.1b3, 6.21 p43 to p45. The example printed there
declares 13 octets for a text of 15: such a list is refused rather than cut in the wrong place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from poller.reading.frames import MEI_IDENTIFY, Request

ONE_OBJECT: Final = 4  # the read code
HEAD_OCTETS: Final = 7  # function, MEI, read code, conformity, more follows, next object, count
MORE: Final = 0xFF


class BadObjects(Exception):
    """The answer's declared lengths and counts do not fit what is there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ObjectList:
    """One answer. next_object: where the next request begins; None when nothing follows."""

    objects: dict[int, bytes]
    next_object: int | None


def read_objects(request: Request, pdu: bytes) -> ObjectList:
    """The objects of one answer. Raises BadObjects.

    What stands in the next-object octet when nothing follows is not looked at: the specification
    wants 00, and a device that leaves something else there has told all the same.
    """
    if len(pdu) < HEAD_OCTETS:
        raise BadObjects(f"{len(pdu)} octets, too few for an identification")
    _, mei, read_code, _, more, next_object, count = pdu[:HEAD_OCTETS]
    if mei != MEI_IDENTIFY:
        raise BadObjects(f"MEI {mei} in answer to {MEI_IDENTIFY}")
    if read_code != request.read_code:
        raise BadObjects(f"read code {read_code} in answer to {request.read_code}")
    if more not in (0, MORE):
        raise BadObjects(f"more follows is {more:#04x}, neither 00 nor FF")
    objects = _cut(pdu, count)
    if read_code == ONE_OBJECT and (more or list(objects) != [request.object_id]):
        raise BadObjects(f"objects {list(objects)} in answer to {request.object_id} alone")
    return ObjectList(objects=objects, next_object=next_object if more else None)


def _cut(pdu: bytes, count: int) -> dict[int, bytes]:
    objects: dict[int, bytes] = {}
    at = HEAD_OCTETS
    for _ in range(count):
        if at + 2 > len(pdu):
            raise BadObjects(f"{count} objects said, {len(objects)} there")
        number, length = pdu[at], pdu[at + 1]
        value = pdu[at + 2 : at + 2 + length]
        if len(value) != length:
            raise BadObjects(f"object {number}: {length} octets said, {len(value)} there")
        if number in objects:
            raise BadObjects(f"object {number} twice in one answer")
        objects[number] = value
        at += 2 + length
    if at != len(pdu):
        raise BadObjects(f"{len(pdu) - at} octets behind the last object")
    return objects
