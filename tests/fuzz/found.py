"""Inputs that failed once, each with what was wrong. They are run with the tests, for ever."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final

from tests.fuzz.families import texts
from tests.planning.archives import zipped


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    target: str
    data: bytes
    was: str


def _asked(op: str, number: Any = "1", **args: Any) -> bytes:
    return json.dumps({"id": number, "op": op, "args": args}).encode() + b"\n"


def _relay(**args: Any) -> bytes:
    whole = {"host": "h", "port": 502, "table": "holding", "address": 0, "count": 1, "unit": 1}
    return _asked("ask_relay", **(whole | {"timeout_s": 1} | args))


EVENT: Final = {
    "seq": 1, "id": "j:1", "kind": "relay_paused", "v": 1, "subject": "q1", "body": {"why": "w"},
    "cause": None, "by": None,
}  # fmt: skip
ENTERED: Final = {"relay": "q07-main2", "values": {"swRev": "1"}, "who": "me"}
CONNACK_5: Final = bytes.fromhex("20 08 00 00 05 27 00 00 00 01")
MESSAGE_QOS_2: Final = bytes.fromhex("34 07 00 01 61 00 07 00 78")

FOUND: Final = (
    Found(
        target="map_file",
        data=texts()["every-type"].replace('0: "1", 1: "2"', '0: "\u00b2", 1: "2"').encode(),
        was="a setting group named with a superscript two ended the polling of the relay",
    ),
    Found(
        target="map_file",
        data=b'"\\e[2J\\u202e": 1\n',
        was="a problem moved the cursor of the terminal on which it was shown",
    ),
    Found(
        target="map_file",
        data="fam\u2028ily: x\n".encode(),
        was="a problem turned a line of its own",
    ),
    Found(
        target="map_file",
        data=b"? " + b"k" * 70_000 + b"\n: 1\n",
        was="a problem was as long as the key that it spoke of",
    ),
    Found(
        target="map_file",
        data=b"!" + b"a" * 2_000_000 + b" x\n",
        was="the parser's work grows with the square of a tag's length: minutes",
    ),
    Found(
        target="pattern",
        data=b"(?P<a>" + rb"\w*" * 6 + b")!\nV1",
        was="six repeats in a row tried a version for seconds, with options behind them for hours",
    ),
    Found(
        target="pattern",
        data=b"(?P<a>" + b"(|a)" * 40 + b")!\nV1",
        was="alternatives were not counted: 2 to the power of 40 ways",
    ),
    Found(
        target="pattern",
        data=b"(?P<a>(?#[)(a*a*)*b[c])\nV1",
        was="a bracket in a comment hid a repeated group",
    ),
    Found(
        target="control_lines",
        data=b"[" * 200_000 + b"\n" + _asked("hello"),
        was="brackets inside one another ended the conversation without an answer",
    ),
    Found(
        target="control_lines",
        data=_asked("pause", relay="q07-main1", why="w", who=5) + _asked("hello"),
        was="a name that is a number ended the conversation without an answer",
    ),
    Found(
        target="control_lines",
        data=_asked("polls", host="h", port=float("inf")) + _asked("hello"),
        was="an endless port ended the conversation without an answer",
    ),
    Found(
        target="control_lines",
        data=_relay(unit=999),
        was="a unit over 255 ended the connection that polls, and with it the service",
    ),
    Found(
        target="control_lines",
        data=_asked("reading_enter", **ENTERED, read_at="0001-01-01T00:00:00+14:00"),
        was="a time before the first day in UTC ended the conversation without an answer",
    ),
    Found(
        target="control_lines",
        data=_asked("hello", number="1" * 1_000),
        was="an id of any length was kept in every event that followed from the command",
    ),
    Found(
        target="stored_event",
        data=json.dumps(EVENT | {"at": "0001-01-01T00:00:00+14:00"}).encode(),
        was="a damaged time was not told as damage",
    ),
    Found(
        target="journal_file",
        data=bytes.fromhex(
            "77f1dc1c21109775c394a3b0fff5e95c1fd4121528d25bc014e0b0cb5a99d20ee6294594747800"
        ),
        was="damage to a stored text was not told as damage",
    ),
    Found(
        target="broker",
        data=b"\x00\x01",
        was="a broker that leaves as soon as it has accepted was taken for connected",
    ),
    Found(
        target="broker",
        data=b"\xc7\x3f" + CONNACK_5 * 60,
        was="accepted again and again, the loop watched for writing for ever, without rest",
    ),
    *(
        Found(
            target="broker",
            data=bytes([steps << 4 | 0x0F, 0]) + b"\x20\x03\x00\x87\x00",
            was="a cancellation that came with the broker's refusal was lost: no end to it",
        )
        for steps in range(2, 10)
    ),
    Found(
        target="broker",
        data=b"\x01\x01" + b"\x30\xff\xff\xff\x7f" + bytes(30_000),
        was="a message of 256 MB was waited for, and held",
    ),
    Found(
        target="broker",
        data=b"\x00\x01" + b"".join(MESSAGE_QOS_2[:6] + bytes([n, 7, 0]) for n in range(200)),
        was="messages of QoS 2 were held until they would be released",
    ),
    Found(
        target="archive",
        data=zipped(("", b"")),
        was="a part of a ZIP file without a name ended the check of the package",
    ),
)
