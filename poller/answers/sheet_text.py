"""The work sheet as plain text, for a printer that prints text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from poller.answers.sheet import Box, Part, Sheet
from poller.answers.words import moment

WIDTH: Final = 92  # characters of a line on A4 in ten points
LABEL: Final = 24
BLANK: Final = "_" * 18
OK: Final = {True: "as expected", False: "NOT as expected", None: "not told yet"}


def as_text(sheet: Sheet) -> str:
    lines = [*_under(sheet.title, "="), ""]
    for label, value in sheet.head:
        lines += _wrapped(value, f"{label:<{LABEL}}", " " * LABEL)
    lines += ["", *_under("Cautions", "-")]
    for caution in sheet.cautions:
        lines += _wrapped(caution, "! ", "  ")
    lines += ["", *_under("Before, and expected afterwards", "-")]
    for one in sheet.expects:
        after = one.before if one.after is None else f"{one.before or '-'}  ->  {one.after}"
        lines += _wrapped(after or "-", f"{one.says:<{LABEL}}", " " * LABEL)
    for part in sheet.parts:
        lines += _part(part)
    lines += _read(sheet)
    lines += ["", *_under("Signed", "-")]
    for who in sheet.signed:
        lines += [
            "",
            f"{who:<{LABEL}}name {BLANK}  when {BLANK}",
            f"{'':<{LABEL}}signature {BLANK}{BLANK}",
        ]
    lines += ["", *_wrapped(sheet.made)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _part(part: Part) -> Iterator[str]:
    yield ""
    yield from _under(part.heading, "-")
    for sentence in part.says:
        yield from _wrapped(sentence)
    for box in part.boxes:
        yield from _box(box)


def _box(box: Box) -> Iterator[str]:
    yield from _wrapped(box.says, "[ ] ", "    ")
    if box.noted is not None:
        yield from _wrapped(box.noted, "    ", "    ")
    line = "   "
    for name in box.blanks:
        blank = f" {name} {BLANK}"
        if len(line) + len(blank) > WIDTH:
            yield line
            line = "   "
        line += blank
    yield line


def _read(sheet: Sheet) -> Iterator[str]:
    yield ""
    yield from _under("What Bayroll read after the work", "-")
    if not sheet.lines:
        yield from _wrapped("Nothing was compared yet; print the sheet again after the work.")
    for line in sheet.lines:
        read = "not read" if line.read is None else line.read
        when = "" if line.at is None else f", {moment(line.at)}"
        told = f"expected {line.expected}; read {read}{when}: {OK[line.ok]}"
        yield from _wrapped(told, f"{line.says:<{LABEL}}", " " * LABEL)


def _under(text: str, rule: str) -> Iterator[str]:
    yield from _wrapped(text)
    yield rule * min(WIDTH, len(text))


def _wrapped(text: str, first: str = "", then: str = "") -> list[str]:
    if len(first) > LABEL:  # a label of its own line
        return [first.rstrip(), *_wrapped(text, then, then)]
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=then,
        break_on_hyphens=False,
    ) or [first]
