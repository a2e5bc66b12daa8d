"""The work sheet as one HTML page that loads nothing. Every text is escaped where it is written."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Final

from poller.answers.sheet import Box, Part, Sheet
from poller.answers.words import moment

STYLE: Final = """
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; }
body { max-width: 18cm; margin: 1cm auto; }
h1 { font-size: 15pt; margin: 0 0 .3cm; }
h2 { font-size: 11pt; margin: .5cm 0 .15cm; border-bottom: 1px solid #000; break-after: avoid; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .08cm .2cm .08cm 0; }
th, td, p, li { overflow-wrap: anywhere; }
thead th { border-bottom: 1px solid #000; }
tbody th { font-weight: normal; width: 4cm; }
.cautions { border: 2px solid #000; padding: .1cm .3cm; }
.boxes { list-style: none; padding: 0; }
.boxes li { padding-left: .7cm; text-indent: -.7cm; margin: .2cm 0; break-inside: avoid; }
.boxes li::before { content: "\\2610"; display: inline-block; width: .7cm; text-indent: 0; }
.blanks { display: block; text-indent: 0; line-height: 2; }
.blank { display: inline-block; width: 4cm; border-bottom: 1px solid #000; margin-right: .4cm; }
.noted { display: block; text-indent: 0; font-style: italic; }
.signed td { height: 1cm; border-bottom: 1px solid #000; }
@media print { body { margin: 0; max-width: none; } }
"""
OK: Final = {True: "as expected", False: "NOT as expected", None: "not told yet"}


def as_html(sheet: Sheet) -> str:
    title = escape(sheet.title)
    body = "".join(
        [
            f"<h1>{title}</h1>",
            f"<table><tbody>{''.join(_row(head) for head in sheet.head)}</tbody></table>",
            f'<h2>Cautions</h2><div class="cautions">{_sentences(sheet.cautions)}</div>',
            "<h2>Before, and expected afterwards</h2>",
            _table(
                ("", "before", "expected afterwards"),
                ((one.says, one.before or "-", one.after or "as before") for one in sheet.expects),
            ),
            *(_part(part) for part in sheet.parts),
            _read(sheet),
            f'<h2>Signed</h2><div class="signed">{_signed(sheet)}</div>',
            f"<p>{escape(sheet.made)}</p>",
        ]
    )
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{title}</title><style>{STYLE}</style></head><body>{body}</body></html>\n"
    )


def _part(part: Part) -> str:
    boxes = "".join(_box(box) for box in part.boxes)
    listed = f'<ul class="boxes">{boxes}</ul>' if boxes else ""
    return f"<h2>{escape(part.heading)}</h2>{_sentences(part.says)}{listed}"


def _box(box: Box) -> str:
    noted = "" if box.noted is None else f'<span class="noted">{escape(box.noted)}</span>'
    blanks = " ".join(f'{escape(name)} <span class="blank"></span>' for name in box.blanks)
    return f'<li>{escape(box.says)}{noted}<span class="blanks">{blanks}</span></li>'


def _read(sheet: Sheet) -> str:
    heading = "<h2>What Bayroll read after the work</h2>"
    if not sheet.lines:
        return f"{heading}<p>Nothing was compared yet; print the sheet again after the work.</p>"
    rows = (
        (
            line.says,
            line.expected,
            line.read or "not read",
            "-" if line.at is None else moment(line.at),
            OK[line.ok],
        )
        for line in sheet.lines
    )
    return heading + _table(("", "expected", "read", "when", ""), rows)


def _signed(sheet: Sheet) -> str:
    return _table(("", "name", "when", "signature"), ((who, "", "", "") for who in sheet.signed))


def _table(heads: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    head = "".join(f"<th>{escape(one)}</th>" for one in heads)
    body = "".join(_row(row) for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _row(cells: tuple[str, ...]) -> str:
    first, *rest = cells
    return f"<tr><th>{escape(first)}</th>{''.join(f'<td>{escape(one)}</td>' for one in rest)}</tr>"


def _sentences(texts: Iterable[str]) -> str:
    return "".join(f"<p>{escape(text)}</p>" for text in texts)
