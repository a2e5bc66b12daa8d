"""A sheet of cells into relays, checked as a site file is; each fault with its line and column."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from poller.model import limits
from poller.model.problems import Faulty, Problem
from poller.model.text import shown
from poller.site import shape
from poller.site.check_site import check_site
from poller.site.relay_columns import BY_NAME, COLUMNS, Column, same_name, value
from poller.site.salvage import salvage
from poller.site.settings import RelayEntry, SiteFile
from poller.site.yaml_lines import Lined, Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """line: where it begins, from 1; a text in quotes may go over several."""

    line: int
    cells: list[str]


class _Places(Lined):
    """Places of a sheet: the line of a relay, and the column by its heading."""

    def spelled(self, path: Path) -> str:
        keys = path[2:]
        column = next((one for one in COLUMNS if keys and one.path == keys[: len(one.path)]), None)
        return f"column {column.heading}" if column else ""


class Sheet:
    """Headings, then a relay a line."""

    def __init__(self, file: str, head: Record, rows: list[Record]) -> None:
        self.problems: list[Problem] = []
        self._file, self._head, self._rows = file, head, rows
        self._columns: list[Column | None] = []
        for name in self._head.cells[: limits.CSV_COLUMNS_MAX]:
            self._columns.append(self._column(name))
        if len(self._head.cells) > limits.CSV_COLUMNS_MAX:
            what = f"more than {limits.CSV_COLUMNS_MAX} columns"
            mend = "take out the columns that are none of the relay list"
            self._add("csv-column-unknown", self._head.line, "", what, mend)
        for column in COLUMNS:
            if column.required and column not in self._columns:
                what = f"there is no column {column.heading}"
                mend = "add it, or correct the heading of the column that is meant"
                self._add("csv-column-missing", self._head.line, "", what, mend)

    def _column(self, heading: str) -> Column | None:
        """None, and a problem noted, unless it is one that is not there yet."""
        name = same_name(heading)
        column = BY_NAME.get(name)
        at = f"column {shown(heading.strip(), most=limits.SENTENCE_TEXT_MAX)}"
        if not name:
            return None  # spreadsheets leave empty columns behind; a value in one is told of
        if column is None:
            near = difflib.get_close_matches(
                name[: limits.SENTENCE_TEXT_MAX], BY_NAME, n=1, cutoff=0.7
            )
            known = "take it out; known here: " + ", ".join(one.heading for one in COLUMNS)
            mend = f"write {BY_NAME[near[0]].heading}" if near else known
            self._add("csv-column-unknown", self._head.line, at, "there is no such column", mend)
        elif column in self._columns:
            what = f"the column {column.heading} is there twice"
            self._add("csv-column-twice", self._head.line, at, what, "keep one of them")
            return None
        return column

    def relays(self) -> tuple[RelayEntry, ...]:
        """Raises Faulty; without a single heading for what that alone tells."""
        if not any(self._columns):
            raise Faulty(self.problems)
        lines: dict[Path, int] = {("relays",): self._head.line}
        entries: list[dict[str, Any]] = []
        for at, row in enumerate(self._rows):
            lines["relays", at] = row.line
            entries.append(self._entry(row))
        listed = {"format": 1, "site": "list", "name": "list", "relays": entries}
        site = self._checked(_Places(value=listed, lines=lines))
        if self.problems:
            ordered = sorted(dict.fromkeys(self.problems), key=lambda one: one.line or 0)
            raise Faulty(ordered[: limits.PROBLEMS_MAX])
        assert site is not None, "no relays and no problem"
        return site.relays

    def _entry(self, row: Record) -> dict[str, Any]:
        entry: dict[str, Any] = {}
        for number, written in enumerate(row.cells[: limits.CSV_COLUMNS_MAX + 1]):
            column = self._columns[number] if number < len(self._columns) else None
            if column is None:
                self._outside(row, number, written)
                continue
            found = value(column, written)
            if found is None:
                continue
            where = entry
            for step in column.path[:-1]:
                where = where.setdefault(str(step), {})
            where[str(column.path[-1])] = found
        for column in filter(None, self._columns):
            if column.required and column.path[0] not in entry:
                what, mend = f"{column.heading} is empty", "fill in the cell"
                at = f"column {column.heading}"
                self._add("csv-cell-empty", row.line, at, what, mend)
        return entry

    def _outside(self, row: Record, number: int, written: str) -> None:
        """A value in a column that has no name; one whose name is at fault was told already."""
        named = number < len(self._head.cells) and self._head.cells[number].strip()
        if written.strip() and not named:
            said = shown(written.strip(), most=limits.SENTENCE_TEXT_MAX)
            what = f"{said} stands in cell {number + 1}, where no column has a name"
            mend = "put it into its column; a delimiter within a text wants quotes around it"
            self._add("csv-cell-outside", row.line, "", what, mend)

    def _checked(self, source: Lined) -> SiteFile | None:
        """As a site file is checked, without the maps, which lie elsewhere."""
        try:
            site = SiteFile.model_validate(source.value)
        except ValidationError as reason:
            found = shape.problems(reason, source, SiteFile, self._file)
            # a cell that is empty was told of in a spreadsheet's words
            self.problems += [one for one in found if one.code != "key-missing"]
            left = salvage(SiteFile, source, reason)
            if left is not None:
                some, rest, cut = left
                places = _Places(value=rest.value, lines=rest.lines)
                self.problems += check_site(some, {}, places, self._file, cut)
            return None
        self.problems += check_site(site, {}, source, self._file)
        return site

    def _add(self, code: str, line: int, at: str, what: str, mend: str) -> None:
        if len(self.problems) < limits.PROBLEMS_MAX:
            self.problems.append(
                Problem(code=code, file=self._file, line=line, at=at, what=what, mend=mend)
            )
