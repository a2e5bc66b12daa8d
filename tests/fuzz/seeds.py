"""Valid examples to begin from, and words that a random change would hardly ever hit on."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any, Final

from poller.reading.frames import adu
from tests.fuzz.families import FILES, ROOT
from tests.fuzz.on_files import MAP_BESIDE
from tests.fuzz.on_journal import made, snapshot_of
from tests.planning.archives import SOUND, encrypted, long_header, overlapping, tarred, zipped
from tests.reading.vectors import PDUS

SEED_MAX: Final = 8_192
BROKEN: Final = ROOT / "tests" / "site" / "broken"
OWN: Final = b"relays:\n  - {id: own, bay: B, function: main, host: 127.1.9.9, maps: [own]}"
COMMANDS: Final[tuple[tuple[str, dict[str, Any]], ...]] = (
    ("hello", {}),
    ("status", {}),
    ("live", {}),
    ("reload", {}),
    ("baseline_accept", {"relays": ["q07-main1"], "why": "w", "who": "me", "reference": "W-1"}),
    (
        "reading_enter",
        {
            "relay": "q07-main2",
            "values": {"swRev": "1.0", "components.boot.swRev": "2"},
            "read_at": "2026-03-01T04:05:06+01:00",
            "who": "me",
        },
    ),
    ("pause", {"relay": "q07-main1", "why": "w", "who": "me"}),
    ("resume", {"relay": "q10-main1", "who": "me"}),
    (
        "bulletin_add",
        {"title": "t", "severity": "slow_trip", "family": "larch", "versions": "vers:x/<5.2"},
    ),
    ("bulletin_add", {"title": "t", "severity": "failure_to_trip", "relays": ["q07-main1"]}),
    ("bulletin_close", {"bulletin": "b1", "why": "w"}),
    ("evaluation_enter", {"vendor": "Tarn", "found": "nothing released this month"}),
    ("exception_give", {"relay": "q07-main1", "until": "2026-04-01", "why": "w", "who": "me"}),
    ("exception_end", {"exception": "e1", "why": "w"}),
    ("polls", {"host": "127.0.0.1", "port": 502}),
    (
        "ask_relay",
        {
            "host": "127.0.0.1",
            "port": 502,
            "table": "holding",
            "address": 0,
            "count": 3,
            "unit": 255,
            "timeout_s": 3,
        },
    ),
    (
        "ask_relay",
        {"host": "h", "port": 502, "read_code": 1, "object_id": 0, "unit": 1, "timeout_s": 3},
    ),
)
# MQTT 5.0, chapter 3: acknowledgements, messages of each QoS, a goodbye, what only servers get
PACKETS: Final = (
    "40 02 00 01", "40 04 00 02 10 00", "40 04 00 03 87 00", "62 02 00 07", "d0 00", "c0 00",
    "e0 02 8b 00", "e0 00", "90 04 00 01 00 00", "b0 03 00 01 00", "50 02 00 01", "70 02 00 01",
    "f0 02 18 00", "20 03 00 00 00", "20 03 00 87 00", "20 08 00 00 05 27 00 00 00 01",
    "30 0b 00 03 61 2f 62 00 68 65 6c 6c 6f", "32 07 00 01 61 00 07 00 78",
    "34 07 00 01 61 00 07 00 78", "30 06 00 02 ff fe 00 78", "30 ff ff ff 7f", "30 ff ff ff ff ff",
)  # fmt: skip


@cache
def seeds(target: str) -> tuple[bytes, ...]:
    """Of at most SEED_MAX octets; at least one."""
    return tuple(one[:SEED_MAX] for one in _SEEDS.get(target, _any)())


def _any() -> list[bytes]:
    return [bytes(64), bytes(range(256)), b"\xff" * 64, b"V2.10.00 SP2 HF3"]


def _frames() -> list[bytes]:
    answers = [bytes.fromhex(one["rsp"]) for one in PDUS]
    streams = [adu(at, 255, pdu) for at, pdu in enumerate(answers)]
    return [b"\x02\x05\x09" + one for one in streams] + [b"\x01\x10" + b"".join(streams[:6])]


def _replies() -> list[bytes]:
    found = []
    for mended in (b"\x00", b"\x01"):
        for table in range(5):
            for one in PDUS:
                head = bytes([table, 0, 1, 0]) if table > 1 else bytes([table, 0, 0, 9, 0])
                found.append(head + mended + bytes.fromhex(one["rsp"]))
    return found


def _turns() -> list[bytes]:
    """A choice, and then answers with objects of a few octets each, in each of the styles."""
    return [
        bytes([choice]) + bytes([how, 1, 2]) * 20 + b"TWEL" * 30
        for choice in range(8)
        for how in (0, 1, 5, 9, 12, 20, 25, 31)
    ]


def _maps() -> list[bytes]:
    paths = [*FILES, *sorted((BROKEN / "map").glob("*.yaml"))]
    return [text for path in paths if len(text := path.read_bytes()) <= SEED_MAX]


def _sites() -> list[bytes]:
    paths = [ROOT / "config" / "site.yaml", *sorted((BROKEN / "site").glob("*.yaml"))]
    texts = [text for path in paths if len(text := path.read_bytes()) <= SEED_MAX]
    with_map = [
        texts[0].replace(b"relays:", OWN, 1) + MAP_BESIDE + Path(path).read_bytes()
        for path in FILES
    ]
    return texts + [one for one in with_map if len(one) <= 2 * SEED_MAX]


def _folder(name: str, ending: str) -> list[bytes]:
    """Broken ones; valid ones are added by the callers."""
    found = [path.read_bytes() for path in sorted((BROKEN / name).glob(f"*{ending}"))]
    return [text for text in found if len(text) <= SEED_MAX]


def _shipped(name: str) -> list[bytes]:
    return [(ROOT / "config" / f"{name}.yaml").read_bytes(), *_folder(name, ".yaml")]


def _scl() -> list[bytes]:
    valid = sorted((ROOT / "tests" / "site" / "scl").glob("*.xml"))
    texts = [path.read_bytes() for path in valid] + _folder("scl", "")
    return [b"\x20" + text for text in texts if len(text) <= SEED_MAX]


def _relay_lists() -> list[bytes]:
    plain = b"relay,bay,function,host,maps\r\nq1,Q01,main 1,10.0.0.1,larch otter\r\n"
    return [
        plain,
        plain.replace(b",", b";"),
        plain.decode().encode("utf-16"),
        *_folder("csv", ".csv"),
    ]


def _versions() -> list[bytes]:
    texts = (b"1.2.3\n1.10\nv2", b"5.1 SP2 HF3\n5.1\n5.1-SP2", b"Rev A\nZ\nAA", b"v1.b SP2\n1-3\n1")
    return [bytes([scheme]) + text for scheme in range(4) for text in texts]


def _advisories() -> list[bytes]:
    paths = [
        *sorted((ROOT / "config" / "advisories").glob("*.json")),
        *sorted((ROOT / "tests" / "planning" / "broken").glob("*.json")),
    ]
    return [path.read_bytes() for path in paths]


def _ranges() -> list[bytes]:
    texts = (
        b"vers:generic/>=5.0|<5.2\n5.1\n5.2",
        b"vers:x/1.0|!=1.1|>=2.0|<3.0\n2.5",
        b"vers:all/*\n1",
        b"vers:x/5.1%20SP2|>5.1%20SP3\n5.1 SP2 HF3",
        b"vers:x/<A|>=B|<Z|>AA\nC",
    )
    return [bytes([scheme]) + text for scheme in range(4) for text in texts]


def _archives() -> list[bytes]:
    hostile = (
        zipped(("../x", b"1")),
        zipped(("x", b"/etc"), mode=0o120777),
        tarred(("/x", b""), ("C:\\x", b"")),
        tarred(("x", b""), kind=b"2", link="../../etc"),
    )
    return [
        *(data for data, _ in SOUND.values()),
        overlapping(),
        encrypted(),
        long_header(),
        *hostile,
    ]


def _outages() -> list[bytes]:
    broken = sorted((ROOT / "tests" / "planning" / "broken" / "outages").glob("*.yaml"))
    return [(ROOT / "config" / "outages.yaml").read_bytes(), *(one.read_bytes() for one in broken)]


def _patterns() -> list[bytes]:
    return [
        rb"R(?P<a>\d+)\.(?P<b>\d+)(?:-(?P<c>[A-Z]+))?" + b"\nR1.2",
        rb"(?P<a>\w*\w*\w*)" + b"\nab",
        b"(?P<a>(?:a|b)?c|[a-z]+)x\naa",
        rb".*?(?P<a>\d{1,3}+)[^.]+(?P<b>(?i:rev)?[^a-f\s]*)(|a)(?#)$" + b"\nV1",
    ]


def _broker() -> list[bytes]:
    packets = [bytes.fromhex(one) for one in PACKETS]
    heads = [bytes([how, 1]) for how in (0, 1, 8, 9, 0x28, 0x79, 0xF9)]
    return [head + one for head in heads for one in (*packets, b"".join(packets), packets[16] * 90)]


def _control() -> list[bytes]:
    lines = [
        json.dumps({"id": str(at), "op": op, "args": args}).encode() + b"\n"
        for at, (op, args) in enumerate(COMMANDS)
    ]
    return [*lines, b"".join(lines)]


def _events() -> list[bytes]:
    return list(made()[2])


HOSTILE: Final = "V1\x1b[2J\u202e<b>=1+1\u2028é\ud800"
_SEEDS: Final = {
    "frames": _frames,
    "replies": _replies,
    "identification": _turns,
    "decode": lambda: [bytes([at]) + one for at in range(7) for one in _any()],
    "dialogue": _turns,
    "map_file": _maps,
    "site_file": _sites,
    "approved_file": lambda: _shipped("approved"),
    "alarms_file": lambda: _shipped("alarms"),
    "relay_list": _relay_lists,
    "scl_file": _scl,
    "versions": _versions,
    "advisory": _advisories,
    "ranges": _ranges,
    "archive": _archives,
    "families_file": lambda: _shipped("advisories"),
    "outages_file": _outages,
    "pattern": _patterns,
    "broker": _broker,
    "control_lines": _control,
    "text": lambda: [b"\x20" + HOSTILE.encode(errors="surrogatepass")],
    "stored_event": _events,
    "stored_snapshot": lambda: [snapshot_of(made()[1])],
}
YAML: Final = (
    b"\n", b": ", b"- ", b"[", b"]", b"{", b"}", b'"\\ud800"', b'"\\e[2J"', b'"\\0"', b"&a ", b"*a",
    b"!!int ", b"!", b"? ", b"|\n", b">\n", b"---\n", b"#", b"\t", b"  ", b"0x1F", b"1e999", b"-1",
    b"9" * 20, b"9" * 41, b".inf", b".nan", b"~", b"true", b"%YAML 1.1\n", b"\xc2\x85", b"\xff",
    b"\xe2\x80\xa8", b"\xef\xbb\xbf", b"\x00", b"\r", b"2020-01-01", b"0o7", b"<<: ",
    b"kind: pattern", b"pattern: ", b'"\xc2\xb2"', b"x" * 300, b"{0:09}", b"scale: 1e308",
    b"offset: 0.1", b"type: f64",
)  # fmt: skip
JSON: Final = (
    b"1e999", b"-1", b"NaN", b"Infinity", b"null", b"[]", b"{}", b'"\\ud800"', b"9" * 20, b"true",
    b'"0001-01-01T00:00:00+14:00"', b'"9999-12-31T23:59:59-14:00"', b"[[[[[", b'"', b"\n", b"256",
    b'"\\u0000"', b"[" * 3_000, b'{"a":' * 300,
)  # fmt: skip
REGEX: Final = (
    b"(?P<a>", b")", b"*", b"+", b"?", b"{1,3}", b"|", b"(|a)", rb"\w*", rb"\d", b"[^a]", b"(?#",
    b"(?i)", b"(?=", b"(?!", rb"\1", b"(?>", b"*+", b"(?(a)", b"^", b"$", b".",
)  # fmt: skip
XML: Final = (
    b"<", b">", b"/>", b"</SCL>", b"<IED ", b'name="', b"&#x1b;", b"&amp;", b"&#0;", b"<![CDATA[",
    b"<!--", b"<?xml ", b"<!DOCTYPE SCL [<!ENTITY a 'b'>]>", b"<Private>", b"<P type='IP'>",
    b"\xff", b"xmlns=", b"\xef\xbb\xbf", b"\x00", b"&a;", b"<a" * 200, b" x='y'" * 100,
)  # fmt: skip
CSV: Final = (
    b",", b";", b"\t", b'"', b'""', b"\r\n", b"\r", b"\x00", b"=", b"sep=;\r\n", b"\xff\xfe",
    b"\xff", b"\xef\xbb\xbf", b"'=", b"yes", b"1e999", b"9" * 30, "\u2028".encode(),
    b"a,b,c,d,e,f" * 20,
)  # fmt: skip
CSAF: Final = (
    b'"product_version_range"', b'"product_version"', b'"vls:"', b'"vers:x/>=1|<2"',
    b'"product_id"', b'"branches":[', b'"relationships":[', b'"known_affected":["P"]',
    b'"serial_numbers":["*","?"]',
    b'"prior to 4.2"', b'"/~0~1"', b'"vers:all/*"', b'"installed_on"', b'"group_ids":["G"]',
)  # fmt: skip
VERS: Final = (
    b"vers:", b"/", b"|", b">=", b"<=", b"!=", b"<", b">", b"*", b"%20", b"%2F", b"%", b"\n",
    b"all", b"none", b"9" * 70, b"1.0|" * 300, b" ", b"SP2", b"-1", b"\xc2\xb2",
)  # fmt: skip
ARCHIVES: Final = (
    b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06", b"PK\x06\x06", b"PK\x06\x07", b"ustar\x0000",
    b"\x1f\x8b\x08\x00", b"BZh9", b"../", b"/", b"C:", b"\\", b"\xff" * 4, b"\xff" * 8, b"x" * 100,
    b"77777777777\x00", b"\x80" + b"\x00" * 10 + b"\x01", b"11 path=x\n", b"GNU.sparse.map=0,1",
    b"\x01\x00", b"\x00" * 512, b"L", b"x", b"g", b"2", b"S",
)  # fmt: skip
PDU: Final = (b"\x2b\x0e", b"\x81\x02", b"\xff\xff", b"\x00\x00\x00\x00", b"\x00\xfe", b"\x7f\xf8")


def words(target: str) -> tuple[bytes, ...]:
    """What a mutation may put in."""
    if target.endswith("_file") and target not in ("scl_file", "journal_file"):
        return YAML + REGEX
    if target == "advisory":
        return JSON + CSAF
    if target in ("control_lines", "stored_event", "stored_snapshot"):
        return JSON
    own = {"scl_file": XML, "relay_list": CSV, "ranges": VERS, "archive": ARCHIVES}
    return {"pattern": REGEX, **own}.get(target, PDU)
