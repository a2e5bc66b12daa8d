"""What comes from relays: frames, replies, identifications, registers, and whole dialogues."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Final

from poller.model import limits
from poller.model.canonical import encode, plain
from poller.model.nameplate import flat
from poller.model.text import shown
from poller.reading.choose import choose
from poller.reading.decode import (
    Image,
    Implausible,
    NameplateRead,
    StatusRead,
    decode_identity,
    decode_nameplate,
    decode_status,
    image,
)
from poller.reading.exchange import (
    Garbled,
    NoReply,
    Outcome,
    Refused,
    Reply,
    bits,
    match,
    registers,
    reply_octets,
)
from poller.reading.frames import (
    EXCEPTION,
    IDENTIFY,
    MEI_IDENTIFY,
    BadHeader,
    Frame,
    FrameReader,
    Request,
    adu,
    identify,
    read,
)
from poller.reading.identification import READ_CODE, BadObjects, Identification, Kind, read_objects
from poller.reading.read_plan import CompiledMap, Pass
from poller.reading.run import PassRead, describe, is_away, is_later, run
from poller.site.register_map import BIT_TABLES, Table
from tests.fuzz.families import families
from tests.fuzz.octets import Octets

SMALLEST_FRAME: Final = 6 + limits.MBAP_LENGTH_MIN
REASON_MAX: Final = 200  # characters of why something is garbled
KINDS: Final[tuple[Kind, ...]] = tuple(READ_CODE)
TABLES: Final[tuple[Table, ...]] = ("coil", "discrete", "holding", "input")


def frames(data: bytes) -> None:
    """A stream, torn as its first octets say: the same frames as in one piece, and nothing kept."""
    given = Octets(data)
    cuts = [1 + given.number(40) for _ in range(given.number(7))]
    stream = given.rest()
    whole, whole_says = _fed([stream])
    pieces, at = [], 0
    for cut in cuts:
        pieces.append(stream[at : at + cut])
        at += cut
    got, says = _fed([*pieces, stream[at:]])
    assert (got, says) == (whole, whole_says), "torn otherwise, read otherwise"
    assert len(whole) <= len(stream) // SMALLEST_FRAME
    again = b"".join(adu(one.transaction, one.unit, one.pdu) for one in whole)
    assert stream.startswith(again), "a frame that was not sent"
    assert says is not None or len(stream) - len(again) < 6 + limits.MBAP_LENGTH_MAX


def _fed(pieces: list[bytes]) -> tuple[list[Frame], str | None]:
    reader, got = FrameReader(), list[Frame]()
    for piece in pieces:
        try:
            got += reader.feed(piece)
        except BadHeader as bad:
            _says(str(bad))
            assert not reader._buffer, "kept behind a bad header"
            return [*got, *bad.frames], str(bad)
        assert len(reader._buffer) < 6 + limits.MBAP_LENGTH_MAX, "more than a frame is kept"
    return got, None


def replies(data: bytes) -> None:
    """One PDU in answer to one request of any kind; half of them mended to come further."""
    given = Octets(data)
    request = _request(given)
    mended = given.number(1)
    pdu = given.rest()[: limits.PDU_BYTES_MAX]
    if mended:
        pdu = _mended(request, pdu)
    outcome = match(request, pdu)
    match outcome:
        case Reply():
            assert outcome.pdu == pdu
            assert pdu[0] == request.function
            _whole(request, pdu)
        case Refused(code=code):
            assert pdu == bytes([request.function | EXCEPTION, code])
        case Garbled(reason=reason):
            _says(reason)
    describe(outcome), is_away(outcome), is_later(outcome)


def _request(given: Octets) -> Request:
    table = given.pick((*TABLES, None))
    if table is None:
        return identify(1 + given.number(3), given.number(255))
    most = limits.BITS_MAX if table in BIT_TABLES else limits.REGISTERS_MAX
    count = 1 + given.number(most - 1)
    return read(table, given.number(65_536 - most), count)


def _mended(request: Request, pdu: bytes) -> bytes:
    if request.table is None:
        code = request.read_code or 0
        return (bytes([IDENTIFY, MEI_IDENTIFY, code]) + pdu)[: limits.PDU_BYTES_MAX]
    octets = reply_octets(request)
    return bytes([request.function, octets]) + pdu[:octets].ljust(octets, b"\xa5")


def _whole(request: Request, pdu: bytes) -> None:
    if request.table is None:
        found = read_objects(request, pdu)
        assert sum(2 + len(value) for value in found.objects.values()) == len(pdu) - 7
    elif request.table in BIT_TABLES:
        values = bits(pdu, request.count)
        body = int.from_bytes(pdu[2:], "little")
        assert values == tuple(bool(body >> at & 1) for at in range(request.count))
    else:
        body = pdu[2:]
        pairs = zip(body[::2], body[1::2], strict=True)
        assert registers(pdu) == tuple(high << 8 | low for high, low in pairs)


def identification(data: bytes) -> None:
    """A whole dialogue with a device that answers what it likes: it ends, and holds little."""
    given = Octets(data)
    kind = given.pick(KINDS)
    wanted = frozenset(given.exactly(given.number(12)))
    dialogue = Identification(kind, wanted)
    asked = 0
    most = len(wanted) if kind == "individual" else limits.IDENTIFICATION_TURNS_MAX
    while (request := dialogue.request) is not None:
        asked += 1
        assert asked <= most, "asks without end"
        assert request.function == IDENTIFY
        if dialogue.single and given.number(7) == 7:
            dialogue.absent()
            continue
        pdu = objects_answer(request, given, asked)
        if not isinstance(match(request, pdu), Reply):
            break
        try:
            dialogue.feed(pdu)
        except BadObjects as bad:
            _says(str(bad))
            break
    assert len(dialogue.objects) <= limits.IDENTIFICATION_OBJECTS_MAX
    assert sum(map(len, dialogue.objects.values())) <= asked * limits.PDU_BYTES_MAX


def objects_answer(request: Request, given: Octets, turn: int) -> bytes:
    """Mostly well made: more follows for ever, unless the octets say otherwise."""
    how = given.number(15)
    if how == 15:
        return given.some(given.number(40))
    code = request.read_code or 0
    more = 0 if how == 0 and code == 4 else (0xFF, 0, 0x01)[given.number(2)] if how else 0xFF
    first = (request.object_id or 0) if how < 12 else given.number()
    count = 1 if code == 4 and how < 8 else given.number(3) if how else 1
    body = b""
    for at in range(count):
        value = given.some(given.number(12))
        said = len(value) if how != 13 else given.number()
        body += bytes([(first + at) % 256, said]) + value
    following = (first + count) % 256 if how < 10 else given.number()
    said_count = count if how != 14 else given.number()
    head = bytes([IDENTIFY, MEI_IDENTIFY, code, 0x83, more, following, said_count])
    return (head + body)[: limits.PDU_BYTES_MAX]


def decode(data: bytes) -> None:
    """Registers, bits and objects under every map that ships: values or told as implausible."""
    given = Octets(data)
    compiled = given.pick(families())
    seen = _image(compiled, given)
    read_back(compiled, seen)


def _image(compiled: CompiledMap, given: Octets) -> Image:
    """All that the three passes read; the octets again from the front where there are too few."""
    fill = given.rest() or b"\0"
    seen = Image(words={}, objects={})
    at = 0

    def next_octets(count: int) -> bytes:
        nonlocal at
        turned = fill[at % len(fill) :] + fill * (1 + count // len(fill))
        at += count
        return turned[:count]

    for pass_ in (compiled.identity, compiled.nameplate, compiled.status):
        answers: list[bytes | None] = []
        for number, request in enumerate(pass_.requests):
            octets = reply_octets(request)
            pdu = bytes([request.function, octets]) + next_octets(octets)
            answers.append(pdu)
            still = b"".join(pass_.still(number, pdu))
            ticks = sum(2 * span.count for span in pass_.spans if span.ticking)
            assert pass_.stills[number].size == len(pdu) <= len(still) + ticks, "left out unasked"
            assert still[:2] == pdu[:2]
        uptime = pass_.uptime(answers)
        assert uptime is None or 0 <= uptime < 2**63
        objects: dict[int, bytes] = {}
        if pass_.identification is not None:
            for number in sorted(pass_.identification[1]):
                objects[number] = next_octets(next_octets(1)[0] % 246)
        seen = seen.joined(image(pass_, answers, objects))
    return seen


def read_back(compiled: CompiledMap, seen: Image) -> None:
    """Decodes it all and looks at every value as the judge and the journal will."""
    identity, plate = decode_identity(compiled, seen), decode_nameplate(compiled, seen)
    for one in (identity, plate):
        _nameplate(compiled, one)
    choose([compiled.map], identity.nameplate)
    _status(compiled, decode_status(compiled, seen))


def _nameplate(compiled: CompiledMap, one: NameplateRead) -> None:
    values = flat(one.nameplate)
    assert values.keys() <= compiled.covers
    for text in values.values():
        assert 0 < len(text) <= limits.TEXT_MAX, f"{len(text)} characters"
        assert text == shown(text), f"can't be shown: {text!a}"
    assert not set(one.absent) & values.keys()
    encode(plain(one.nameplate))
    _implausible(one.implausible)


def _status(compiled: CompiledMap, one: StatusRead) -> None:
    status = one.status
    for name in ("setting_group", "free_memory_kb", "stored_records", "uptime_s"):
        value = getattr(status, name)
        assert value is None or (type(value) is int and 0 <= value < 2**63), f"{name}: {value!r}"
    assert {flag for flag, _ in status.flags} <= compiled.map.flags.keys()
    for at in (status.relay_time, one.changed_at):
        assert at is None or isinstance(at, datetime)
    encode(plain(status))
    _implausible(one.implausible)


def _implausible(told: tuple[Implausible, ...]) -> None:
    for one in told:
        _says(one.reason)
        assert len(one.raw) <= 3 * max(limits.PDU_BYTES_MAX, 5 * limits.REGISTERS_MAX)


def dialogue(data: bytes) -> None:
    """Identity, nameplate and status asked of a relay that answers what it likes, twice over."""
    given = Octets(data)
    compiled = given.pick(families())
    seen = Image(words={}, objects={})
    for pass_ in (compiled.identity, compiled.nameplate, compiled.status):
        first = _asked(pass_, given)
        again = _asked(first.learned, given)
        seen = seen.joined(image(again.pass_, again.replies, again.objects))
        again.pass_.uptime(again.replies) if again.complete else None
    read_back(compiled, seen)


def _asked(pass_: Pass, given: Octets) -> PassRead:
    """Bound: each block, each of its fields, and an identification."""
    most = len(pass_.requests) + len(pass_.spans)
    if pass_.identification is not None:
        kind, wanted = pass_.identification
        most += len(wanted) if kind == "individual" else limits.IDENTIFICATION_TURNS_MAX
    asking, answer = run(pass_), None
    for turn in range(1, most + 2):
        try:
            request = asking.send(answer)  # type: ignore[arg-type] # None begins a generator
        except StopIteration as end:
            result: PassRead = end.value
            _sound(pass_, result)
            return result
        answer = _outcome(request, given, turn)
    raise AssertionError("asks without end")


def _outcome(request: Request, given: Octets, turn: int) -> Outcome:
    how = given.number(31)
    if how == 31:
        return NoReply(reason="no reply within 3 s")
    if how in (29, 30):
        return Refused(code=given.number())
    if how > 20:
        return Refused(code=2)
    if how == 20:
        return match(request, given.some(given.number(30)))
    if request.table is None:
        return match(request, objects_answer(request, given, turn))
    octets = reply_octets(request)
    fill = given.some(octets) if how else bytes([given.number()]) * octets
    return match(request, bytes([request.function, octets]) + fill.ljust(octets, b"\xff"))


def _sound(begun: Pass, result: PassRead) -> None:
    assert result.begun == begun
    assert result.pass_.spans == begun.spans
    asked = {(one.table, at) for one in result.pass_.requests for at in _addresses(one)}
    for span in begun.spans:
        covered = [
            one
            for one in result.pass_.requests
            if one.table == span.table
            and one.address <= span.address
            and span.end <= one.address + one.count
        ]
        assert covered, f"{span.name} is no longer asked for"
    allowed = {(one.table, at) for one in begun.requests for at in _addresses(one)}
    assert asked <= allowed, "an address that the map does not have was asked for"
    if result.complete:
        assert len(result.replies) == len(result.pass_.requests)
        assert None not in result.replies
    _says(describe(result.trouble))


def _addresses(one: Request) -> range:
    return range(one.address, one.address + one.count)


def _says(text: str) -> None:
    """A sentence about what a device did: bounded, and nothing of the device's own making in it."""
    assert 0 < len(text) <= REASON_MAX, f"{len(text)} characters"
    assert text.isprintable(), text


TARGETS: Final[dict[str, Callable[[bytes], None]]] = {
    "frames": frames,
    "replies": replies,
    "identification": identification,
    "decode": decode,
    "dialogue": dialogue,
}
