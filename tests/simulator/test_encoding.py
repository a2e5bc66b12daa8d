"""Values to registers, by hand and against the poller's decoder, which was written without this."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from poller.model.canonical import stamp, unstamp
from poller.model.nameplate import Nameplate, flat
from poller.model.status import Behaviour, Health
from poller.reading.decode import Image, decode_nameplate, decode_status, image
from poller.reading.exchange import match
from poller.reading.read_plan import compile_map
from poller.reading.run import Asking, PassRead, run
from poller.site.register_map import Field_, FlagCode
from simulator.encoding import DoesNotFit, binary_time, registers
from simulator.image import Condition, Fact, known_flags
from simulator.relay import EPOCH, Relay
from simulator.stage import load_stage
from tests.simulator.layouts import layout

FIELD: TypeAdapter[Field_] = TypeAdapter(Field_)
PLACE = {"table": "holding", "address": 0}


def field(text: str) -> Field_:
    """'ascii registers=2 byte_order=low_first' as a field."""
    kind, *pairs = text.split()
    keys = dict(pair.split("=", 1) for pair in pairs)
    plain: dict[str, object] = {
        key: int(value) if value.lstrip("-").isdigit() else value for key, value in keys.items()
    }
    if kind == "enum":
        plain["names"] = {1: "A", 7: "B"}
    if kind == "version_parts":
        parts = [{"address": 0, "octet": "high"}, {"address": 0, "octet": "low"}, {"address": 2}]
        plain["parts"] = parts
    return FIELD.validate_python({**PLACE, "type": kind, **plain})


# field | value | registers in hex. Worked by hand; common practice, no published source.
BY_HAND = """
ascii registers=2                       | V5.1  | 5635 2e31
ascii registers=2                       | V5    | 5635 0000
ascii registers=2 byte_order=low_first  | V5.1  | 3556 312e
u16                                     | 7     | 0007
i16                                     | -2    | fffe
u16 scale=64                            | 4096  | 0040
u32                                     | 65538 | 0001 0002
u32 word_order=low_first                | 65538 | 0002 0001
u64 word_order=low_first                | 1     | 0001 0000 0000 0000
f32                                     | 1     | 3f80 0000
f64                                     | -2    | c000 0000 0000 0000
bcd registers=2                         | 01234567 | 0123 4567
bcd registers=2 digits=6                | 234567   | 0023 4567
bcd registers=2 word_order=low_first    | 01234567 | 4567 0123
enum                                    | B     | 0007
bool bit=3                              | True  | 0008
bool bit=3                              | False | 0000
version_parts pattern={0}.{1:02}.{2:03} | 2.07.013 | 0207 0000 000d
version_parts pattern={0}{1:c}{2:X}     | 2B1F  | 0242 0000 001f
epoch_s                                 | 1970-01-02T00:00:01.000Z | 0001 5181
"""


@pytest.mark.parametrize("line", BY_HAND.strip().splitlines())
def test_registers_by_hand(line: str) -> None:
    kind, value, wanted = (part.strip() for part in line.split("|"))
    words = registers(field(kind), value, layout())
    assert " ".join(f"{word:04x}" for word in words) == wanted


@pytest.mark.parametrize(
    ("padding", "wanted"), [("nul", 0x4100), ("space", 0x4120), ("erased", 0x41FF)]
)
def test_texts_are_padded(padding: str, wanted: int) -> None:
    words = registers(field("ascii registers=1"), "A", layout(), padding)  # type: ignore[arg-type]
    assert words == [wanted]


# field | value | why it does not fit
REFUSED = """
ascii registers=2            | V5.10  | has 5 characters, the field holds 4
ascii registers=2 length=3   | V5.1   | has 4 characters, the field holds 3
ascii registers=2            | é      | only ASCII fits a register
u16                          | 65536  | out of the bounds of u16
u16                          | -1     | out of the bounds of u16
u16                          | 007    | is read back as 7
u16                          | seven  | is no number
u16 scale=64                 | 65     | no whole number of steps of 64
bcd registers=1              | 12A4   | packed decimal holds digits only
bcd registers=1              | 123    | has 3 digits, the field shows 4
enum                         | C      | has no code
bool bit=0                   | yes    | neither True nor False
version_parts pattern={0}.{1:02}.{2:03} | 2.7.013 | is not of the form
version_parts pattern={0}.{1:02}.{2:03} | 2.0007.013 | would write '2.07.013'
version_parts pattern={0}.{1:02}.{2:03} | 256.07.013 | 256 is over 255
epoch_s                      | soon   | is no time with an offset from UTC
epoch_s                      | 1970-01-02T00:00:01.500Z | is read back as 1970-01-02T00:00:01.000Z
epoch_s                      | 2150-01-01T00:00:00.000Z | out of the bounds of u32
cp56time2a                   | 1999-01-01T00:00:00.000Z | CP56Time2a counts 2000 to 2099
"""


@pytest.mark.parametrize("line", REFUSED.strip().splitlines())
def test_what_would_not_come_back_is_refused(line: str) -> None:
    kind, value, why = (part.strip() for part in line.split("|"))
    with pytest.raises(DoesNotFit) as refused:
        registers(field(kind), value, layout())
    assert why in str(refused.value)


def binary_times() -> list[tuple[str, str]]:
    """Source: the worked examples of cp56time2a_vectors.json (IEC 60870-5-4 layout)."""
    file = Path(__file__).parents[1] / "checks" / "cp56time2a_vectors.json"
    cases = json.loads(file.read_text())["vectors"]
    return [(case["utc"], case["hex"]) for case in cases if "utc" in case]


@pytest.mark.parametrize(("utc", "hexed"), binary_times())
def test_binary_times_as_published(utc: str, hexed: str) -> None:
    ours, theirs = bytearray(binary_time(unstamp(utc))), bytearray.fromhex(hexed)
    if theirs[4] >> 5 == 0:
        ours[4] &= 0x1F  # this example leaves the day of the week out
    assert ours == theirs


# Everything at once, through requests and replies, as the poller reads it.


def shapes() -> Iterator[st.SearchStrategy[tuple[dict[str, object], str]]]:
    """A field and a text that it can carry."""
    word_order = st.sampled_from(["high_first", "low_first"])
    letters = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), min_size=1, max_size=8)
    yield st.tuples(
        word_order.map(lambda order: {"type": "ascii", "registers": 4, "byte_order": order}),
        letters,
    )
    bounds = {"u16": (1, 2**16 - 2), "i16": (-(2**15), -2), "u32": (1, 2**32 - 2)}
    bounds |= {"i32": (-(2**31), -2), "u64": (1, 2**64 - 2), "i64": (-(2**63), -2)}
    for kind, (least, most) in bounds.items():
        yield st.tuples(
            st.fixed_dictionaries({"type": st.just(kind), "word_order": word_order}),
            st.integers(least, most).map(str),
        )
    yield st.tuples(
        word_order.map(lambda order: {"type": "bcd", "registers": 2, "word_order": order}),
        st.integers(1, 99_999_999).map(lambda number: f"{number:08}"),
    )
    times = st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31)).map(  # noqa: DTZ001
        lambda at: at.replace(tzinfo=UTC)
    )
    yield st.tuples(
        word_order.map(lambda order: {"type": "epoch_s", "word_order": order}),
        times.map(lambda at: stamp(at.replace(microsecond=0))),
    )
    yield st.tuples(
        word_order.map(lambda order: {"type": "cp56time2a", "byte_order": order}), times.map(stamp)
    )
    parts = [{"address": 0, "octet": "high"}, {"address": 0, "octet": "low"}, {"address": 1}]
    pattern = "{0}.{1:02}.{2:03}"
    yield st.tuples(
        st.just({"type": "version_parts", "parts": parts, "pattern": pattern}),
        st.tuples(st.integers(0, 254), st.integers(0, 255), st.integers(0, 65_535)).map(
            lambda numbers: pattern.format(*numbers)
        ),
    )


@given(st.one_of(*shapes()))
def test_what_is_encoded_here_is_decoded_there(case: tuple[dict[str, object], str]) -> None:
    keys, text = case
    one = layout(identity={"swRev": {"table": "holding", "address": 0, **keys}})
    relay = Relay(layout=one, nameplate=Nameplate(swRev=text))
    assert told_to_the_poller(relay) == {"swRev": text}


def told_to_the_poller(relay: Relay) -> dict[str, Fact]:
    """All that the poller reads from a relay, named as Relay.facts names it."""
    compiled = compile_map(relay.layout)
    seen = Image(words={}, objects={})
    for one in (compiled.identity, compiled.nameplate, compiled.status):
        got = answered(run(one), relay)
        assert got.complete, got.trouble
        seen = seen.joined(image(got.pass_, got.replies, got.objects))
    plate, status = decode_nameplate(compiled, seen), decode_status(compiled, seen)
    assert plate.implausible + status.implausible == ()
    facts: dict[str, Fact] = {**flat(plate.nameplate)}
    facts |= {f"flag:{name}": standing for name, standing in status.status.flags}
    for name in ("health", "behaviour"):
        value = getattr(status.status, name)
        facts |= {} if value is None else {name: int(value)}
    return facts


def answered(asking: Asking, relay: Relay) -> PassRead:
    answer = None
    while True:
        try:
            request = next(asking) if answer is None else asking.send(answer)
            answer = match(request, relay.reply(request.pdu))
        except StopIteration as end:
            result: PassRead = end.value
            return result


SCENARIOS = Path(__file__).parents[2] / "config" / "scenarios"
STAGE = load_stage(str(SCENARIOS / "demo.yaml"), lambda path: Path(path).read_text())


@pytest.mark.parametrize("name", [entry.id for entry in STAGE.entries])
def test_every_relay_of_the_demo_is_read_as_it_is(name: str) -> None:
    relay = STAGE.bench(EPOCH).posts[name].relay
    facts = relay.facts()
    assert told_to_the_poller(relay) == facts
    assert None not in facts.values()


@pytest.mark.parametrize("name", ["larch", "pike", "pike-3", "otter"])
@given(data=st.data())
def test_every_condition_of_a_family_is_read_as_it_is(name: str, data: st.DataObject) -> None:
    one = STAGE.maps[name]
    relay = next(
        post.relay for post in STAGE.bench(EPOCH).posts.values() if post.relay.layout.map == name
    )
    sets = [
        st.sampled_from([frozenset(names) for names in source.codes.values()])
        if isinstance(source, FlagCode)
        else st.frozensets(st.sampled_from(sorted(known_flags(one))))
        for source in one.status.flags
    ]
    flags = frozenset[str]().union(*data.draw(st.tuples(*sets)))
    assert one.status.behaviour is not None
    behaviours = [Behaviour[each.upper()] for each in one.status.behaviour.names.values()]
    condition = Condition(
        flags=flags,
        health=data.draw(st.sampled_from(Health)),
        behaviour=data.draw(st.sampled_from(behaviours)),
    )
    relay.present(condition=condition)
    relay.advance(EPOCH + timedelta(seconds=data.draw(st.integers(0, 10**6))))
    assert told_to_the_poller(relay) == relay.facts()
