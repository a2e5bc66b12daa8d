"""The report as one HTML page that loads nothing, for the screen and for paper."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from poller.answers.evidence import report as rp
from poller.answers.evidence.markup import Raw, bullets, event, link, pairs, strip, table, text
from poller.answers.evidence.reach import DOES_NOT, proves
from poller.answers.evidence.remarks import remarks
from poller.answers.evidence.style import STYLE
from poller.answers.measures import TOO_SHORT, number, source, stands
from poller.answers.words import count, moment

WORD: Final = {
    "new": "never accepted",
    "accepted": "as accepted",
    "differs": "NOT as accepted",
}
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
            *(_relay(one) for one in report.relays),
            *_packages(report),
            *_alarms(report),
            *_journal(report),
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
            ("Work", f"{len(report.works)} pieces"),
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


def _relay(one: rp.RelayPart) -> str:
    seen = one.coverage
    changed = ", ".join(link(f"e-{c.seq}", str(c.seq)) for c in one.changes)
    head = pairs(
        [
            ("id", one.id),
            ("address", one.address),
            ("baseline", WORD[one.word] + ("" if one.listed else "; no longer listed")),
            ("changes", Raw(changed) if changed else "none"),
            (
                "read",
                f"{seen.read_days} of {count(seen.days, 'day', 'days')}, at least "
                f"{count(seen.readings, 'time', 'times')}; at the front panel "
                f"{count(seen.manual, 'time', 'times')}",
            ),
            ("coverage", seen.duty),
        ]
    )
    return "".join(
        [
            f'<section class="relay" id="r-{text(one.id)}"><h2>{text(one.position)}</h2>{head}',
            table(
                ("", "accepted", "read at the front panel" if one.by_hand else "last read", ""),
                ((ln.says, ln.accepted, ln.present, _differs(one, ln)) for ln in one.lines),
            ),
            "<h4>Baselines</h4>",
            table(
                ("event", "accepted", "by", "why", "reference", "what"),
                (_baseline(row) for row in one.baselines),
            ),
            _readings(one.readings),
            _gaps(seen),
            "</section>",
        ]
    )


def _differs(one: rp.RelayPart, line: rp.Line) -> Raw:
    differs = one.word != "new" and line.accepted != line.present
    return Raw("<strong>differs</strong>" if differs else "")


def _baseline(row: rp.Baseline) -> tuple[object, ...]:
    when = Raw(f"{text(row.at)}{', before the span' if row.in_force_before else ''}")
    return event(row.seq), when, row.by, row.why, row.reference, row.what


def _readings(rows: Iterable[rp.Reading]) -> str:
    told = [
        (event(r.seq), r.read_at, r.by, r.reference, ", ".join(f"{n} {t}" for n, t in r.values))
        for r in rows
    ]
    heads = ("event", "read", "by", "reference", "values")
    return f"<h4>Read at the front panel</h4>{table(heads, told)}" if told else ""


def _gaps(seen: rp.Coverage) -> str:
    rows = [
        (
            f"{gap.first} to {gap.last}" if gap.days > 1 else f"{gap.first}",
            gap.days,
            gap.manual,
            "; ".join(gap.why) or "the journal does not say why",
        )
        for gap in seen.gaps
    ]
    if not rows:
        return ""
    more = f"<p>{count(seen.gaps_more, 'shorter gap', 'shorter gaps')} more.</p>"
    told = table(("days without a reading", "days", "by hand", "why"), rows)
    return f"<h4>Gaps</h4>{told}{more if seen.gaps_more else ''}"


def _packages(report: rp.Report) -> Iterator[str]:
    yield '<h2 id="packages">Packages checked (CIP-010-4, part 1.6)</h2>'
    yield table(
        ("event", "when", "by", "package", "for", "came out"),
        (
            (
                event(one.seq),
                one.at,
                one.by,
                Raw(
                    f"{text(one.file)}, {text(one.version)}<br><code>{text(one.sha256)}</code><br>"
                    f"{text(one.signature)}; digest: {text(one.source)}"
                ),
                ", ".join(one.relays),
                "; ".join(one.against) or "nothing spoke against it",
            )
            for one in report.packages
        ),
    )
    yield "<h2>Bulletins, evaluations, exceptions</h2>"
    yield table(("event", "when", "by", "what"), map(_told, report.entered))


def _told(one: rp.Told) -> tuple[object, ...]:
    return event(one.seq), one.at, one.by, one.says


def _alarms(report: rp.Report) -> Iterator[str]:
    yield "<h2>Alarms</h2>"
    found = report.measures
    if found is None:
        yield "<p class='quiet'>Not told: the journal has none of the span, or is broken.</p>"
        return
    yield f"<p>{moment(found.start)} to {moment(found.end)}: the operator was told "
    yield f"{count(found.alarms, 'alarm', 'alarms')}. {text(found.scope)}"
    yield "</p>" if found.long_enough else f" {TOO_SHORT}</p>"
    yield table(
        ("figure", "here", "target", "where it stands", "source"),
        (
            (
                one.name,
                f"{number(one.value)} {one.unit if one.value is not None else ''}",
                f"{one.target:g}",
                stands(one).value,
                source(one),
            )
            for one in found.figures
        ),
    )


def _journal(report: rp.Report) -> Iterator[str]:
    chain = report.chain
    yield '<h2 id="journal">The journal</h2>'
    yield pairs(
        [
            ("journal", chain.journal),
            ("verified", chain.says),
            ("head", Raw(f"<code>{chain.seq}:{chain.hash}</code>")),
            ("its time", chain.last_at),
            ("at the end of the span", Raw(f"<code>{report.last_seq}:{report.end_hash}</code>")),
            ("oldest event", Raw(f"{event(chain.first_seq)} {text(chain.first_at)}")),
        ]
    )
    yield bullets(report.reach)
    yield "<h3>When the poller ran</h3>"
    yield table(("event", "when", "by", "what"), map(_told, report.poller))
    yield '<h2 id="configuration">Configuration</h2>'
    yield "<p>As the journal recorded it; the files lie beside this one, in configuration/. Users "
    yield "and passwords never stand in them.</p>"
    yield table(
        ("event", "in force from", "impact rating", "SHA-256", "files"),
        (
            (
                event(one.seq),
                one.at,
                one.asset_class,
                Raw(f"<code>{text(one.sha256)}</code>"),
                ", ".join(name for name, _ in one.files) or "not held",
            )
            for one in report.configurations
        ),
    )
