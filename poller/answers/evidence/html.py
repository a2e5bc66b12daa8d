"""The report as one HTML page that loads nothing, for the screen and for paper."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from poller.answers.evidence import report as rp
from poller.answers.evidence.html_end import alarms, journal, packages
from poller.answers.evidence.html_relay import WORD, relay
from poller.answers.evidence.markup import Raw, bullets, event, link, pairs, strip, table, text
from poller.answers.evidence.reach import DOES_NOT, proves
from poller.answers.evidence.remarks import remarks
from poller.answers.evidence.style import STYLE
from poller.answers.words import count, moment

OK: Final = {True: "as expected", False: "NOT as expected", None: "not told"}


def as_html(report: rp.Report) -> str:
    title = f"Evidence of relay firmware, {text(report.site)}"
    days = f"{moment(report.span.first)} to {moment(report.span.last)}"
    body = "".join(
        [
            f"<h1>{title}</h1><p class='span'>{text(days)}</p>",
            *_head(report),
            *_at_a_glance(report),
            *_changes(report),
            *_works(report),
            *(relay(one) for one in report.relays),
            *packages(report),
            *alarms(report),
            *journal(report),
        ]
    )
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{title}</title><style>{STYLE}</style></head><body>{body}</body></html>\n"
    )


def _head(report: rp.Report) -> Iterator[str]:
    changes, chain = report.changes, report.chain
    read = sum(bool(one.coverage.read_days) for one in report.relays)
    by_hand = sum(bool(one.coverage.manual) for one in report.relays)
    yield pairs(
        [
            ("Impact rating (CIP-002)", ", then ".join(report.asset_classes) or "not known"),
            (
                "Relays",
                f"{len(report.relays)} listed; {read} read over the network, {by_hand} at the "
                "front panel",
            ),
            ("Changes", f"{len(changes)}, of them {sum(c.firmware for c in changes)} of firmware"),
            ("Work", count(len(report.works), "piece", "pieces")),
            ("Journal", chain.says),
            ("Head of the journal", Raw(f"<code>{chain.seq}:{chain.hash}</code>")),
            ("Events of the span", f"{report.first_seq} to {report.last_seq}"),
            ("Addresses", "hidden in every file" if report.hidden else "shown"),
        ]
    )
    yield "<p>Times are UTC. Numbers in this type face <span class='event'>17</span> are events of "
    yield "the journal, by which each row can be found in it.</p>"
    yield "<h2>What asks for an answer</h2>"
    yield _remarks(report)
    yield "<h2>What this proves, and what not</h2>"
    yield "<h3>It proves</h3>" + bullets(proves(report.asset_classes))
    yield "<h3>It does not prove</h3>" + bullets(DOES_NOT)


def _remarks(report: rp.Report) -> str:
    found = remarks(report)
    if not found:
        return "<p>Nothing.</p>"
    told = "".join(
        f'<li class="{"grave" if one.grave else "open"}">{text(one.says)} '
        f"{link(one.at, 'more')}</li>"
        for one in found
    )
    return f'<ul class="remarks">{told}</ul>'


def _at_a_glance(report: rp.Report) -> Iterator[str]:
    yield "<h2>Relays at a glance</h2><p>The bar is the span: filled on days with a reading over "
    yield "the network, hollow without one, hatched while it was not listed. The longest is that "
    yield "from one reading to the next.</p>"
    heads = ("relay", "firmware", "baseline", "changes", "days read", "", "by hand", "longest")
    yield table(
        heads,
        (
            (
                link(f"r-{one.id}", one.position),
                _firmware(one),
                WORD[one.word],
                len(one.changes),
                f"{one.coverage.read_days} of {one.coverage.days}",
                strip(one.coverage, report.span),
                one.coverage.manual,
                f"{one.coverage.interval} d",
            )
            for one in report.relays
        ),
        "glance",
    )


def _firmware(one: rp.RelayPart) -> str:
    line = next((line for line in one.lines if line.name == "swRev"), None)
    told = "not known" if line is None or line.present is None else line.present
    return f"{told} (front panel)" if one.by_hand else told


def _changes(report: rp.Report) -> Iterator[str]:
    yield "<h2>Changes</h2>"
    yield "".join(_change(one) for one in report.changes) or "<p class='quiet'>None.</p>"


def _change(one: rp.Change) -> str:
    since = "not known" if one.since is None else moment(one.since)
    how = "read at the front panel" if one.by_hand else f"first read {moment(one.read_at)}"
    rows = [
        ("what", one.says),
        ("when", f"last read as before {since}; {how}"),
        ("authorised", one.authorised),
        ("package", one.package),
        ("verified", one.verified),
        ("investigation", one.disposition),
        ("baseline", one.renewal),
    ]
    item = ", item 1.1.1" if one.firmware else ""
    return (
        f'<section class="one" id="e-{one.seq}"><h3>{event(one.seq)} {text(one.position)}: '
        f"{text(one.word)}{item}</h3>{pairs((name, says) for name, says in rows if says)}</section>"
    )


def _works(report: rp.Report) -> Iterator[str]:
    yield "<h2>Planned work</h2>"
    yield "".join(_work(one) for one in report.works) or "<p class='quiet'>None.</p>"


def _work(one: rp.WorkPart) -> str:
    more = (
        f"<p>{count(one.steps_more, 'earlier step', 'earlier steps')} left out.</p>"
        if one.steps_more
        else ""
    )
    head = pairs(
        [
            ("window", one.window),
            ("entered", f"by {one.entered_by} on {moment(one.entered_at)}"),
            ("work order", one.reference),
            *([("settings", one.settings)] if one.settings else []),
            ("at the end of the span", one.state),
        ]
    )
    steps = table(
        ("event", "when", "by", "step"),
        ((event(s.seq), s.at, s.by or "Bayroll", s.says) for s in one.steps),
    )
    lines = table(
        ("checked", "expected", "read", "when", ""),
        ((ln.says, ln.expected, ln.read, ln.at, OK[ln.ok]) for ln in one.lines),
    )
    return (
        f'<section id="w-{text(one.id)}"><h3>{text(one.id)} {text(one.position)}: '
        f"{text(one.meant)}</h3>{head}{steps}{more}<h4>Verification</h4>"
        f"{lines if one.lines else '<p>No reading was held against the plan.</p>'}</section>"
    )
