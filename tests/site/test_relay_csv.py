"""The relay list in a spreadsheet: what goes out comes back, and people's ways are understood.

Quoting after RFC 4180; formulas after OWASP, CSV Injection. What is refused with which words stands
in broken/csv/.
"""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from poller.model import limits
from poller.model.problem_codes import CODES
from poller.model.problems import Faulty
from poller.site.load import parse
from poller.site.relay_columns import BY_NAME, COLUMNS, guarded, unguarded
from poller.site.relay_csv import DELIMITERS, read_csv, relays_yaml, write_csv
from poller.site.settings import Intervals, RelayEntry, SiteFile, pace

FEW = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
PLAIN = ("relay,bay,function,host,maps", "q1,Q01,main 1,10.0.0.1,larch")
ONE = RelayEntry(id="q1", bay="Q01", function="main 1", host="10.0.0.1", maps=("larch",))

# any text but one of spaces alone, which is an empty cell to a person
TEXTS = st.text(min_size=1, max_size=40).filter(lambda text: text.strip())
TEXTS |= st.builds("{}{}".format, st.sampled_from("=+-@\t\r\n'\"; ,\u00a0"), TEXTS)
SECONDS = st.integers(300, 3_600) | st.floats(300, 3_600)


def own(draw: st.DrawFn) -> Intervals | None:
    """Some of the keys, none at fault together."""
    given_keys = draw(
        st.fixed_dictionaries(
            {},
            optional={
                "status_s": SECONDS,
                "confirm_s": SECONDS,
                "confirm_after_restart_s": SECONDS,
                "reply_timeout_s": st.floats(0.1, 10),
                "nameplate_s": st.just(3_600) | st.floats(3_600, 86_400),
                "rest_ms": st.integers(0, 10_000),
                "silent_misses": st.integers(1, 100),
                "unreadable_s": SECONDS,
            },
        )
    )
    return Intervals(**given_keys) if given_keys else None


@st.composite
def relays(draw: st.DrawFn) -> tuple[RelayEntry, ...]:
    """What a site may have: each relay at an address of its own."""
    serial = draw(st.booleans())
    return tuple(
        RelayEntry(
            id=draw(st.sampled_from(["q{}", "-{}", "00{}", "{}"])).format(number),
            bay=draw(TEXTS),
            function=draw(TEXTS),
            host=f"10.0.0.{number}",
            port=draw(st.integers(1, 65_535)),
            unit=draw(st.integers(1, 247)),
            maps=tuple(draw(st.lists(st.sampled_from("abc"), min_size=1, unique=True))),
            client_slots=draw(st.integers(1, 16)),
            behind_serial=serial,
            intervals=own(draw),
        )
        for number in range(1, draw(st.integers(3, 5)))
    )


def set_keys(entry: RelayEntry) -> dict[str, object]:
    return entry.intervals.model_dump(exclude_unset=True) if entry.intervals else {}


@FEW
@given(relays(), st.sampled_from(sorted(DELIMITERS.values())))
def test_a_list_comes_back_from_a_spreadsheet(some: tuple[RelayEntry, ...], delimiter: str) -> None:
    back = read_csv(write_csv(some, delimiter), "list.csv")
    assert back == some
    assert [set_keys(one) for one in back] == [set_keys(one) for one in some]


@FEW
@given(relays())
def test_a_list_comes_back_from_yaml(some: tuple[RelayEntry, ...]) -> None:
    site = parse(SiteFile, "format: 1\nsite: x\nname: x\n" + relays_yaml(some), "site.yaml")
    assert site.relays == some
    assert [pace(Intervals(), one) for one in site.relays] == [
        pace(Intervals(), one) for one in some
    ]


def test_every_key_of_a_relay_has_a_column() -> None:
    keys = {(name,) for name in RelayEntry.model_fields if name != "intervals"}
    keys |= {("intervals", name) for name in Intervals.model_fields}
    assert {one.path for one in COLUMNS} == keys


def test_no_two_columns_have_the_same_name() -> None:
    assert len(BY_NAME) == len(COLUMNS) + 1  # relay is id, too


def test_headings_are_words_of_people() -> None:
    assert ", ".join(one.heading for one in COLUMNS) == (
        "relay, bay, function, host, port, unit, maps, client slots, behind serial, "
        "status (s), nameplate (s), confirm (s), confirm after restart (s), "
        "reply timeout (s), rest (ms), silent misses, unreadable (s)"
    )


def test_what_is_written_is_as_rfc_4180_has_it() -> None:
    odd = ONE.model_copy(update={"bay": 'Q01, "north"', "function": "main\n1"})
    assert write_csv([odd]).decode("utf-8-sig") == (
        "relay,bay,function,host,port,unit,maps,client slots,behind serial\r\n"
        'q1,"Q01, ""north""","main\n1",10.0.0.1,502,255,larch,1,no\r\n'
    )


def test_it_begins_with_the_mark_that_spreadsheets_look_for() -> None:
    assert write_csv([ONE]).startswith(b"\xef\xbb\xbfrelay")


def test_interval_columns_are_there_where_a_relay_has_one() -> None:
    two = ONE.model_copy(update={"id": "q2", "intervals": Intervals(status_s=10, rest_ms=0)})
    rows = list(csv.DictReader(io.StringIO(write_csv([ONE, two]).decode("utf-8-sig"))))
    assert [(row["status (s)"], row["rest (ms)"]) for row in rows] == [("", ""), ("10", "0")]
    assert "confirm (s)" not in rows[0]


# name; what people and spreadsheets make of PLAIN
UNDERSTOOD = {
    "as it is": "\n".join(PLAIN),
    "CRLF": "\r\n".join(PLAIN) + "\r\n",
    "CR alone": "\r".join(PLAIN),
    "semicolon": "\n".join(PLAIN).replace(",", ";"),
    "tab": "\n".join(PLAIN).replace(",", "\t"),
    "delimiter said": "sep=;\r\n" + "\r\n".join(PLAIN).replace(",", ";"),
    "delimiter said aloud": "SEP=,\n" + "\n".join(PLAIN),
    "mark": "\ufeff" + "\n".join(PLAIN),
    "all quoted": "\n".join('"' + line.replace(",", '","') + '"' for line in PLAIN),
    "headings shouted": "\n".join(PLAIN).replace("relay,bay,function", "RELAY , Bay,FUNCTION "),
    "file's own key": "\n".join(PLAIN).replace("relay,", "id,"),
    "other order": "maps,host,function,bay,relay\nlarch,10.0.0.1,main 1,Q01,q1",
    "empty lines": "\n\n" + "\n,,,,\n\n".join(PLAIN) + "\n,,,,\n",
    "empty columns": "\n".join(f"{line},,," for line in PLAIN),
    "optional cells empty": f"{PLAIN[0]},port,Client_Slots,behind-serial\n{PLAIN[1]},,,",
    "values that are usual": (
        f"{PLAIN[0]},PORT,Unit,client slots,behind serial\n{PLAIN[1]}, 502 ,255,1,FALSE"
    ),
    "spaces around": "relay,bay,function,host,maps\n q1 ,Q01,main 1, 10.0.0.1 , larch ",
}


@pytest.mark.parametrize("text", UNDERSTOOD.values(), ids=UNDERSTOOD)
def test_it_is_understood(text: str) -> None:
    assert read_csv(text.encode(), "list.csv") == (ONE,)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8", "utf-8-sig"])
def test_text_that_spreadsheets_call_unicode_is_read(encoding: str) -> None:
    text = "\r\n".join(PLAIN).replace(",", "\t").replace("main 1", "Schutz für Ö")
    assert read_csv(text.encode(encoding), "list.txt")[0].function == "Schutz für Ö"


@pytest.mark.parametrize("maps", ["pike pike-3", "pike, pike-3", "pike;pike-3", " pike  pike-3, "])
def test_maps_are_parted_by_what_people_write(maps: str) -> None:
    text = f'relay,bay,function,host,maps\nq1,Q01,main 1,10.0.0.1,"{maps}"\n'
    assert read_csv(text.encode(), "list.csv")[0].maps == ("pike", "pike-3")


@pytest.mark.parametrize(
    ("cell", "value"), [("yes", True), ("TRUE", True), ("1", True), ("No", False), ("0", False)]
)
def test_yes_and_no_are_written_in_several_ways(cell: str, value: bool) -> None:
    text = f"relay,bay,function,host,maps,unit,behind serial\nq1,Q01,m,10.0.0.1,larch,1,{cell}\n"
    assert read_csv(text.encode(), "list.csv")[0].behind_serial is value


FORMULAS = """
=1+1          -> '=1+1
+44 20        -> '+44 20
-main 1       -> '-main 1
@SUM(A1)      -> '@SUM(A1)
＝1+1         -> '＝1+1        # full width
'=1+1         -> ''=1+1        # what stood there with an apostrophe
'main 1       -> 'main 1       # no formula
main = 1      -> main = 1
Q01           -> Q01
"""


@pytest.mark.parametrize("row", FORMULAS.strip().splitlines())
def test_a_formula_is_text_to_a_spreadsheet(row: str) -> None:
    text, _, written = row.partition("#")[0].partition("->")
    assert guarded(text.strip()) == written.strip()


@pytest.mark.parametrize("first", ["\t", "\r", "\n", " =", "\u00a0=", "\t="])
def test_a_formula_behind_what_spreadsheets_pass_over_is_text_too(first: str) -> None:
    assert guarded(f"{first}1") == f"'{first}1"


@given(st.text(alphabet="'=+-@＝ \t\r\nx", max_size=8))
@example("''=")
def test_what_was_guarded_comes_back(text: str) -> None:
    assert unguarded(guarded(text)) == text


@given(st.text(alphabet="'=+-@＝ \t\r\nx", max_size=8))
def test_nothing_that_was_guarded_begins_a_formula(text: str) -> None:
    assert guarded(text).lstrip()[:1] not in tuple("=+-@＝")


@FEW
@given(relays())
def test_no_cell_of_a_list_begins_a_formula(some: tuple[RelayEntry, ...]) -> None:
    cells = csv.reader(io.StringIO(write_csv(some).decode("utf-8-sig"), newline=""))
    assert [one for row in cells for one in row if one.lstrip()[:1] in tuple("=+-@")] == []


@pytest.mark.parametrize(
    ("text", "line", "at"),
    [
        ("relay;bay;function;host;maps\r\n\r\nq1;Q01;m;10.0.0.*;larch\r\n", 3, "column host"),
        ('relay,bay,function,host,maps\nq1,"Q\n01",m,10.0.0.1,larch\nq2,,m,h,m\n', 4, "column bay"),
        ("sep=,\nrelay,bay,function,host,maps\nq1,Q01,m,10.0.0.*,larch\n", 3, "column host"),
        ("relay,bay,function,Host ,maps,Hosts\nq1,Q01,m,h,larch,x\n", 1, "column Hosts"),
    ],
    ids=["empty line before", "text over two lines", "delimiter said", "heading"],
)
def test_a_fault_is_told_where_it_stands(text: str, line: int, at: str) -> None:
    with pytest.raises(Faulty) as reason:
        read_csv(text.encode(), "list.csv")
    assert [(one.line, one.at) for one in reason.value.problems] == [(line, at)]


def codes(data: bytes) -> set[str]:
    with pytest.raises(Faulty) as reason:
        read_csv(data, "list.csv")
    assert len(reason.value.problems) <= limits.PROBLEMS_MAX
    return {one.code for one in reason.value.problems}


def test_a_list_longer_than_any_is_refused_unread() -> None:
    assert codes(b"x" * (limits.FILE_BYTES_MAX + 1)) == {"file-too-big"}


def test_more_relays_than_a_site_has_are_refused() -> None:
    rows = (f"r{at},Q01,m,h{at},larch" for at in range(limits.RELAYS_MAX + 9))
    assert codes("\n".join([PLAIN[0], *rows]).encode()) == {"length-bound"}


def test_a_cell_longer_than_any_is_refused() -> None:
    assert codes(f"{PLAIN[0]}\n{'x' * 200_000}\n".encode()) == {"csv-unreadable"}


def test_columns_without_end_are_told_once() -> None:
    told = codes(("relay," + "x," * 100_000 + "\n" + "y," * 100_000).encode())
    assert "csv-column-unknown" in told


@FEW
@given(relays(), st.data())
def test_a_spoiled_list_is_read_or_refused(
    some: tuple[RelayEntry, ...], data: st.DataObject
) -> None:
    octets = bytearray(write_csv(some, data.draw(st.sampled_from(sorted(DELIMITERS.values())))))
    for _ in range(data.draw(st.integers(1, 4))):
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(
            st.sampled_from(b"\",;\t\n\r'= x1\xff\x00")
        )
    try:
        assert read_csv(bytes(octets), "list.csv")
    except Faulty as reason:
        told = {one.code for one in reason.problems}
        assert told, "refused without a reason"
        assert told <= CODES.keys()
