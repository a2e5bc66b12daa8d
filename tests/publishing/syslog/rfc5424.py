"""A reader of syslog messages, written from the ABNF in section 6 of RFC 5424 alone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, TypeAlias

Element: TypeAlias = dict[str, str]
SD_NAME: Final = r"[!#-<>-\\^-~]{1,32}"  # PRINTUSASCII except = SP ] "
DATE: Final = r"\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])"
TIME: Final = r"(?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d(?:\.\d{1,6})?"
OFFSET: Final = r"(?:Z|[+-](?:[01]\d|2[0-3]):[0-5]\d)"
VALUE: Final = r'(?:[^"\\\]]|\\.)*'  # in which " \ and ] are escaped
PARAMETER: Final = rf' ({SD_NAME})="({VALUE})"'
ELEMENT: Final = rf"\[({SD_NAME})((?:{PARAMETER})*)\]"


def _field(name: str, most: int) -> str:
    return rf"(?P<{name}>-|[!-~]{{1,{most}}})"


MESSAGE: Final = re.compile(
    rf"<(?P<pri>0|[1-9]\d{{0,2}})>(?P<version>[1-9]\d{{0,2}})"
    rf" (?P<at>-|{DATE}T{TIME}{OFFSET})"
    rf" {_field('hostname', 255)} {_field('app', 48)} {_field('procid', 128)} {_field('msgid', 32)}"
    rf" (?P<data>-|(?:{ELEMENT})+)(?: (?P<msg>.*))?",
    re.DOTALL,
)
BOM: Final = "\ufeff"


class NotSyslog(Exception):
    pass


@dataclass(frozen=True)
class Message:
    """What is not known is a dash. msg: without its byte order mark, which is_utf8 tells of."""

    facility: int
    severity: int
    at: str
    hostname: str
    app: str
    procid: str
    msgid: str
    data: dict[str, Element]
    msg: str
    is_utf8: bool


def parse(octets: bytes) -> Message:
    """Raises NotSyslog."""
    try:
        text = octets.decode()
    except UnicodeDecodeError as reason:
        raise NotSyslog(str(reason)) from reason
    found = MESSAGE.fullmatch(text)
    if found is None or int(found["pri"]) > 191 or found["version"] != "1":
        raise NotSyslog(text)
    msg = found["msg"] or ""
    return Message(
        facility=int(found["pri"]) // 8,
        severity=int(found["pri"]) % 8,
        at=found["at"],
        hostname=found["hostname"],
        app=found["app"],
        procid=found["procid"],
        msgid=found["msgid"],
        data=elements(found["data"]),
        msg=msg.removeprefix(BOM),
        is_utf8=msg.startswith(BOM),
    )


def elements(text: str) -> dict[str, Element]:
    """STRUCTURED-DATA by SD-ID. Raises NotSyslog, also for an SD-ID that stands twice (6.3.2)."""
    if text == "-":
        return {}
    if re.fullmatch(f"(?:{ELEMENT})+", text, re.DOTALL) is None:
        raise NotSyslog(text)
    found: dict[str, Element] = {}
    for name, parameters, *_ in re.findall(ELEMENT, text, re.DOTALL):
        if name in found:
            raise NotSyslog(f"{name} twice")
        pairs = re.findall(PARAMETER, parameters, re.DOTALL)
        found[name] = {key: re.sub(r'\\(["\\\]])', r"\1", value) for key, value in pairs}
    return found


def frames(octets: bytes) -> list[bytes]:
    """RFC 5425, 4.3: MSG-LEN SP SYSLOG-MSG, one after the other. Raises NotSyslog."""
    found = []
    while octets:
        length, space, rest = octets.partition(b" ")
        if not space or not re.fullmatch(rb"[1-9]\d*", length) or len(rest) < int(length):
            raise NotSyslog(repr(octets[:40]))
        found.append(rest[: int(length)])
        octets = rest[int(length) :]
    return found
