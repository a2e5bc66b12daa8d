"""Pieces of a page that stands alone. Every text is escaped where it is written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from html import escape
from typing import Final

from poller.answers.evidence.report import Coverage, Span
from poller.answers.words import moment

NONE: Final = '<p class="quiet">None.</p>'


class Raw(str):
    """Markup of ours; every other text is escaped."""

    __slots__ = ()


def text(value: object) -> Raw:
    """A value as a person reads it."""
    if isinstance(value, Raw):
        return value
    if value is None or value == "":
        return Raw("–")
    if isinstance(value, bool):
        return Raw("yes" if value else "no")
    if isinstance(value, datetime):
        return Raw(f"<time>{escape(moment(value).removesuffix(' UTC'))}</time>")
    if isinstance(value, int):
        return Raw(f"{value:,}")
    return Raw(escape(str(value)))


def event(seq: int | None) -> Raw:
    """The number of a journal event; nobody groups its digits when looking for it."""
    return Raw("–" if not seq else f'<span class="event">{seq}</span>')


def table(heads: Sequence[str], rows: Iterable[Sequence[object]], kind: str = "") -> Raw:
    """Rows; where there are none, that. kind: a class of the style."""
    body = "".join(f"<tr>{''.join(f'<td>{text(cell)}</td>' for cell in row)}</tr>" for row in rows)
    if not body:
        return Raw(NONE)
    head = "".join(f"<th>{text(one) if one else ''}</th>" for one in heads)
    named = f' class="{kind}"' if kind else ""
    return Raw(f"<table{named}><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>")


def pairs(rows: Iterable[tuple[str, object]]) -> Raw:
    """Names and values."""
    told = "".join(f"<tr><th>{text(name)}</th><td>{text(cell)}</td></tr>" for name, cell in rows)
    return Raw(f'<table class="pairs"><tbody>{told}</tbody></table>')


def bullets(texts: Iterable[object]) -> Raw:
    told = "".join(f"<li>{text(one)}</li>" for one in texts)
    return Raw(f"<ul>{told}</ul>" if told else NONE)


def link(at: str, says: str) -> Raw:
    """To a place in this page."""
    return Raw(f'<a href="#{escape(at)}">{escape(says)}</a>')


def strip(seen: Coverage, span: Span) -> Raw:
    """The span from left to right: filled while it was listed and read, hollow on days without."""
    first = span.first.date()
    days = max(1, ((span.last - timedelta(milliseconds=1)).date() - first).days + 1)

    def bar(kind: str, begins: date, ends: date) -> str:
        left, width = (begins - first).days, (ends - begins).days + 1
        return f'<rect class="{kind}" x="{left}" width="{width}" height="1"/>'

    bars = [bar("read", *one) for one in seen.listed]
    bars += [bar("gap", one.first, one.last) for one in seen.gaps]
    return Raw(
        f'<svg class="strip" viewBox="0 0 {days} 1" preserveAspectRatio="none" role="img">'
        f"<title>{escape(seen.duty)}</title>{''.join(bars)}</svg>"
    )
