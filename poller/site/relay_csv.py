"""The relay list as a spreadsheet has it: written as CSV, and read from it.

Written: RFC 4180 (comma, CRLF, quotes doubled), with a byte order mark, without which spreadsheets
take UTF-8 for something else. Read: comma, semicolon or tab, found by the headings that it brings
out; UTF-8 or, with its mark, UTF-16. What a cell says is checked as a site file is, and all faults
are told at once, each with its line and column. Opens nothing itself.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from typing import Final

from poller.model import limits
from poller.model.problems import Faulty, Problem
from poller.model.text import shown
from poller.site.drafting import listed, scalar
from poller.site.relay_columns import BY_NAME, COLUMNS, OWN_INTERVALS, cell, same_name
from poller.site.relay_sheet import Record, Sheet
from poller.site.settings import Intervals, RelayEntry

DELIMITERS: Final = {"comma": ",", "semicolon": ";", "tab": "\t"}
MARKS: Final = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
DELIMITER_SAID: Final = "sep="  # the first line of some spreadsheets: sep=;


def write_csv(relays: Iterable[RelayEntry], delimiter: str = ",") -> bytes:
    """UTF-8 with a byte order mark. Interval columns only where a relay has one of its own."""
    rows = [{one: cell(one, relay) for one in COLUMNS} for relay in relays]
    told = [one for one in COLUMNS if one not in OWN_INTERVALS or any(row[one] for row in rows)]
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n")
    writer.writerow([one.heading for one in told])
    writer.writerows([row[one] for one in told] for row in rows)
    return text.getvalue().encode("utf-8-sig")


def read_csv(data: bytes, file: str) -> tuple[RelayEntry, ...]:
    """The relays of a list. Raises Faulty with every fault that it has."""
    records = _records(_text(data, file), file)
    if not records:
        raise Faulty([_no_csv(file, None, "there is no heading in it")])
    return Sheet(file, records[0], records[1:]).relays()


def relays_yaml(relays: Iterable[RelayEntry]) -> str:
    """The section of a site file, keys that have their usual value left out."""
    lines = ["relays:"]
    for relay in relays:
        lines += [f"  {'  ' if at else '- '}{key}" for at, key in enumerate(_keys(relay))]
    return "\n".join(lines) + "\n"


def _keys(relay: RelayEntry) -> Iterator[str]:
    for name, about in RelayEntry.model_fields.items():
        given = getattr(relay, name)
        if isinstance(given, Intervals):
            own = given.model_dump(exclude_unset=True, exclude_none=True)
            inner = ", ".join(f"{key}: {scalar(number)}" for key, number in own.items())
            yield f"{name}: {{{inner}}}"
        elif isinstance(given, tuple):
            yield f"{name}: {listed(given)}"
        elif about.is_required() or given != about.default:
            yield f"{name}: {scalar(given)}"


def _text(data: bytes, file: str) -> str:
    if len(data) > limits.FILE_BYTES_MAX:
        what = f"more than {limits.FILE_BYTES_MAX} octets"
        mend = "split it, or take out what does not belong"
        raise Faulty([Problem(code="file-too-big", file=file, what=what, mend=mend)])
    try:
        return data.decode(MARKS.get(data[:2], "utf-8-sig"))
    except UnicodeDecodeError as reason:
        line = data[: reason.start].count(b"\n") + 1
        raise Faulty([_no_csv(file, line, "it is not UTF-8 text")]) from reason


def _no_csv(file: str, line: int | None, what: str) -> Problem:
    mend = "save it from the spreadsheet as CSV UTF-8, with the headings in the first line"
    return Problem(code="csv-unreadable", file=file, line=line, what=what, mend=mend)


def _records(text: str, file: str) -> list[Record]:
    """Lines that hold something, at most one more than a site may have. Raises Faulty."""
    lines = io.StringIO(text, newline="")
    first = lines.readline()
    skipped = int(first.lower().startswith(DELIMITER_SAID))
    chosen = first[len(DELIMITER_SAID) :].strip(" \r\n") if skipped else _delimiter(first)
    if chosen not in DELIMITERS.values():
        raise Faulty([_no_csv(file, 1, f"{shown(chosen, most=20)} is no delimiter of a list")])
    if not skipped:
        lines.seek(0)
    found: list[Record] = []
    line = 1 + skipped
    reader = csv.reader(lines, delimiter=chosen, strict=True)
    try:
        for cells in reader:
            if any(one.strip() for one in cells):
                found.append(Record(line=line, cells=cells))
            line = reader.line_num + 1 + skipped
            if len(found) > limits.RELAYS_MAX + 1:  # and the headings; the bound will be told
                break
    except csv.Error as reason:
        raise Faulty([_no_csv(file, line, f"this is no CSV: {reason}")]) from reason
    return found


def _delimiter(first: str) -> str:
    """The one by which the first line falls into the most known headings."""

    def known(delimiter: str) -> int:
        try:
            cells = next(csv.reader([first], delimiter=delimiter), [])
        except csv.Error:
            return 0
        return sum(same_name(one) in BY_NAME for one in cells[: limits.CSV_COLUMNS_MAX])

    return max(DELIMITERS.values(), key=known)
