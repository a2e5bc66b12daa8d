"""Drafts from SCL files: what they say, that they load only once finished, and what is refused.

The files in scl/ are invented; element and attribute names after IEC 61850-6, from memory. What is
refused with which words stands in broken/scl/.
"""

from __future__ import annotations

import os
import re
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from xml.sax.saxutils import quoteattr

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.model import limits
from poller.model.problems import Faulty
from poller.site import drafting, yaml_lines
from poller.site.hostile_xml import End, events
from poller.site.load import load_site
from poller.site.scl import WANTED, Draft, draft_site
from poller.site.settings import RelayEntry, Site

HERE = Path(__file__).parent / "scl"
BROKEN = Path(__file__).parent / "broken" / "scl"
FILES = sorted(HERE.glob("*.xml"))
OPENING = '<SCL xmlns="http://www.iec.ch/61850/2003/SCL">'
FEW = settings(max_examples=50, deadline=None)


def drafted(name: str) -> Draft:
    return draft_site([(HERE / name).read_bytes()], name)


def load(text: str) -> Site:
    return load_site("draft.yaml", lambda path: text)


def finished(text: str) -> Site:
    """As a person would leave it: a map at each entry."""
    return load(text.replace("maps: []", "maps: [any]"))


def faults(text: str) -> list[str]:
    with pytest.raises(Faulty) as reason:
        load(text)
    return [f"{one.at} {one.code}" for one in reason.value.problems]


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_the_draft_is_what_stands_beside_the_file(path: Path) -> None:
    assert drafted(path.name).text == path.with_suffix(".yaml").read_text(encoding="utf-8")


def test_both_editions_say_the_same() -> None:
    one, two = (drafted(f"edition-{number}.xml").text.splitlines()[1:] for number in (1, 2))
    assert one == two


def test_a_draft_asks_for_nothing_but_its_maps() -> None:
    assert faults(drafted("edition-1.xml").text) == ["relays[aa1e1q01f1].maps length-bound"]


def test_a_draft_with_a_map_loads() -> None:
    entry = finished(drafted("edition-1.xml").text).file.relays[0]
    assert entry == RelayEntry(
        id="aa1e1q01f1",
        bay="Q01",
        function="Leitungsschutz für Q01",
        host="10.1.1.1",
        port=502,
        maps=("any",),
    )


def test_every_entry_of_a_draft_asks_for_its_maps() -> None:
    draft = drafted("several.xml")
    asked = [one for one in faults(draft.text) if one.endswith(".maps length-bound")]
    assert len(asked) == draft.drafted == 9


def test_an_address_that_two_have_is_left_for_the_loader_to_refuse() -> None:
    text = drafted("several.xml").text.replace("maps: []", "maps: [any]")
    assert faults(text) == ["relays[grosse-1-2].host site-address-twice"]


def test_texts_of_the_file_come_through_yaml_as_they_are() -> None:
    text = drafted("several.xml").text.replace("host: 10.1.1.3", "host: 10.1.1.33", 1)
    told = {one.id: (one.bay, one.function) for one in finished(text).file.relays}
    assert told["grosse-1"] == ("E1 Q01", 'Schutz: "Abzweig" # 1')
    assert told["007"] == ("007", "- evil: true")
    assert told["on"] == ("on", "yes")
    assert told["ied"] == ("继电器", "IED")


def test_an_ied_without_an_address_is_a_comment_and_a_note() -> None:
    draft = drafted("several.xml")
    assert "  # - id: mu1\n" in draft.text
    assert [one.at for one in draft.notes if one.code == "scl-no-address"] == [
        "IED MU1",
        "IED (no name)",
    ]


def test_a_comment_with_its_signs_taken_away_is_an_entry() -> None:
    text = re.sub(r"^  # (- id: mu1|  [a-z]+:)", r"  \1", drafted("several.xml").text, flags=re.M)
    text = text.replace("host:\n", "host: 10.9.9.9\n", 1).split("  # IED (no name)")[0]
    entry = yaml_lines.read(text, "draft.yaml").value["relays"][-1]
    assert (entry["id"], entry["host"]) == ("mu1", "10.9.9.9")


def test_where_no_ied_has_an_address_the_list_is_empty_and_says_so() -> None:
    draft = draft_site([f'{OPENING}<IED name="A1"/></SCL>'.encode()], "a.icd")
    assert draft.drafted == 0
    assert faults(draft.text) == ["relays length-bound"]


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ('<Header id="H"/><Substation name="S"/>', "S"),
        ('<Header id="H"/><Substation name="S"/><Substation name="T"/>', "H"),
        ('<Header id="H"/>', "H"),
        ('<Header id=""/>', "station"),
    ],
)
def test_the_site_is_named_after(said: str, name: str) -> None:
    draft = draft_site([f'{OPENING}{said}<IED name="A1"/></SCL>'.encode()], "x/station.scd")
    assert f"\nname: {name}\n" in draft.text


def test_without_a_namespace_it_is_scl_all_the_same() -> None:
    draft = draft_site([b'<SCL><IED name="A1"/></SCL>'], "a.icd")
    assert "IED A1" in draft.text


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "iso-8859-1", "windows-1252"])
def test_the_encoding_is_the_one_that_the_file_names(encoding: str) -> None:
    text = f'<?xml version="1.0" encoding="{encoding}"?>{OPENING}<IED name="A" desc="für"/></SCL>'
    assert "desc für" in draft_site([text.encode(encoding)], "a.icd").text


def test_the_type_of_an_address_may_stand_in_xsi_type_alone() -> None:
    text = drafted("edition-1.xml").text
    told = (HERE / "edition-1.xml").read_bytes().replace(b'<scl:P type="IP" ', b"<scl:P ")
    assert draft_site([told], "edition-1.xml").text == text


def test_what_should_be_looked_at_is_told_in_the_order_of_the_file() -> None:
    lines = [one.line or 0 for one in drafted("several.xml").notes]
    assert lines == sorted(lines)


def test_types_of_no_nameplate_do_not_count(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "SCL_KEPT_MAX", 10)
    one = '<DOType id="{0}" cdc="INC"/><LNodeType id="{0}" lnClass="PDIS"><DO name="NamPlt"/>'
    types = "".join(one.format(at) + "</LNodeType>" for at in range(20))
    text = f'{OPENING}<IED name="A1"/><DataTypeTemplates>{types}</DataTypeTemplates></SCL>'
    assert "IED A1" in draft_site([text.encode()], "a.scd").text


def test_text_is_kept_as_far_as_a_nameplate_goes() -> None:
    path = "/SCL/IED/AccessPoint/Server/LDevice/LN0/DOI/DAI/Val"
    names = path.split("/")[2:]
    starts, ends = (f"<{'><'.join(one)}>" for one in (names, [f"/{n}" for n in names[::-1]]))
    pieces = [OPENING.encode(), starts.encode(), *[b"1" * 1_000] * 100, f"{ends}</SCL>".encode()]
    texts = [one.text for one in events(pieces, "a.scd", WANTED) if isinstance(one, End)]
    assert [len(text) for text in texts if text] == [limits.TEXT_MAX]


def test_ids_as_long_as_they_may_be_are_told_apart() -> None:
    ids = drafting.Ids()
    assert [ids.take(name, "ied") for name in ("a" * 40, "a" * 50, "a" * 40)] == [
        "a" * 40,
        "a" * 38 + "-2",
        "a" * 38 + "-3",
    ]


NAMES = st.lists(st.text(max_size=60), max_size=30)


@FEW
@given(NAMES)
def test_ids_are_valid_unique_and_the_same_again(names: list[str]) -> None:
    given_ids, again = drafting.Ids(), drafting.Ids()
    found = [given_ids.take(name, "ied") for name in names]
    assert len(set(found)) == len(names)
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9-]{0,39}", one) for one in found)
    assert found == [again.take(name, "ied") for name in names]


SAYABLE = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc"])
    | st.sampled_from("\t\n\u2028\u202e'\"#"),
    max_size=80,
)


@FEW
@given(SAYABLE, SAYABLE, SAYABLE)
def test_whatever_a_file_says_the_draft_is_the_yaml_that_it_should_be(
    name: str, desc: str, maker: str
) -> None:
    said = {"name": name, "desc": desc, "manufacturer": maker}
    attributes = " ".join(f"{key}={_attribute(text)}" for key, text in said.items())
    text = (
        f'{OPENING}<Communication><SubNetwork><ConnectedAP iedName={_attribute(name)} apName="S">'
        f'<Address><P type="IP">10.0.0.1</P></Address></ConnectedAP></SubNetwork></Communication>'
        f"<IED {attributes}/></SCL>"
    )
    try:
        draft = draft_site([text.encode()], "a.scd")
    except Faulty as reason:  # U+FFFE and U+FFFF are no characters of XML
        assert [one.code for one in reason.problems] == ["scl-unreadable"]  # noqa: PT017
        return
    (entry,) = finished(draft.text).file.relays
    assert entry.bay == name.strip() or entry.bay == "IED"
    assert entry.function == desc.strip() or entry.function == "IED"


def _attribute(text: str) -> str:
    return quoteattr(text, {"\t": "&#9;", "\n": "&#10;", "\r": "&#13;"})


@FEW
@given(st.text(), st.booleans() | st.floats(0.1, 86_400) | st.integers(0, 70_000))
def test_a_scalar_is_read_back_as_it_was(text: str, other: float) -> None:
    line = f"a: {drafting.scalar(text)}    # x\nb: {drafting.scalar(other)}\n"
    assert yaml_lines.read(line, "x").value == {"a": text, "b": other}


@FEW
@given(st.sampled_from(FILES + sorted(BROKEN.glob("*.xml"))), st.data())
def test_a_file_in_pieces_says_what_the_whole_says(path: Path, data: st.DataObject) -> None:
    octets = path.read_bytes()
    size = data.draw(st.integers(1, max(1, len(octets))))
    pieces = [octets[at : at + size] for at in range(0, len(octets), size)]
    assert _outcome(pieces, path.name) == _outcome([octets], path.name)


@FEW
@given(st.sampled_from(FILES), st.data())
def test_a_spoiled_file_is_drafted_or_refused(path: Path, data: st.DataObject) -> None:
    octets = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(st.integers(0, 255))
    _outcome([bytes(octets)], path.name)


def _outcome(pieces: list[bytes], name: str) -> tuple[str, ...]:
    try:
        draft = draft_site(pieces, name)
    except Faulty as reason:
        return tuple(str(one) for one in reason.problems)
    return (draft.text, *(str(one) for one in draft.notes))


def _endless(first: bytes, piece: bytes, taken: list[int]) -> Iterator[bytes]:
    yield OPENING.encode() + first
    while True:
        taken[0] += len(piece)
        yield piece


@pytest.mark.parametrize(
    ("first", "piece", "code", "most"),
    [
        (b"", b"<a>" * 5_000, "scl-too-deep", 100_000),
        (b"<a b='", b"x" * 65_536, "scl-too-big", limits.SCL_TAG_BYTES_MAX * 2),
        (b"<!-- ", b"x" * 65_536, "scl-too-big", limits.SCL_TAG_BYTES_MAX * 2),
        (b"", b"x" * 1024 * 1024, "scl-too-big", limits.SCL_BYTES_MAX + 2 * 1024 * 1024),
        (b"", b'<IED name="a"/>' * 4_000, "scl-too-many", 200_000),
        (b"", b'<Substation name="a"/>' * 4_000, "scl-too-many", 3_000_000),
    ],
    ids=["depth", "tag", "comment", "text", "IEDs", "substations"],
)
def test_a_file_without_end_is_refused_at_its_bound(
    first: bytes, piece: bytes, code: str, most: int
) -> None:
    taken = [0]
    with pytest.raises(Faulty) as reason:
        draft_site(_endless(first, piece, taken), "endless.scd")
    assert [one.code for one in reason.value.problems] == [code]
    assert taken[0] <= most


def test_names_that_are_all_different_are_refused_before_they_fill_the_memory() -> None:
    names = (b"".join(b"<n%d/>" % (n * 1_000 + at) for at in range(1_000)) for n in range(1_000))
    with pytest.raises(Faulty) as reason:
        draft_site((piece for part in ([OPENING.encode()], names) for piece in part), "x.scd")
    assert [one.code for one in reason.value.problems] == ["scl-too-many"]


def test_a_long_file_is_passed_over_and_not_held() -> None:
    one = b'<DOI name="Mod"><DAI name="d"><Val>a text of some length</Val></DAI></DOI>\n' * 100
    path = ("IED", "AccessPoint", "Server", "LDevice", "LN0")
    opening = OPENING + "".join(f'<{name} name="A1">' for name in path)
    closing = "".join(f"</{name}>" for name in path[::-1]) + "</SCL>"
    tracemalloc.start()
    try:
        draft = draft_site([opening.encode(), *[one] * 150, closing.encode()], "long.scd")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert "IED A1" in draft.text
    assert peak < 150 * len(one) / 2  # of which it holds one piece at most


def test_nothing_that_a_document_type_names_is_opened(tmp_path: Path) -> None:
    pipe = tmp_path / "named"  # opening it would wait for ever
    os.mkfifo(pipe)
    text = f'<!DOCTYPE SCL [<!ENTITY x SYSTEM "file://{pipe}">]>{OPENING}&x;</SCL>'
    with pytest.raises(Faulty) as reason:
        draft_site([text.encode()], "x.scd")
    assert [one.code for one in reason.value.problems] == ["scl-document-type"]
