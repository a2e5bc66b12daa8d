"""The chapter of one relay."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from poller.answers.evidence import report as rp
from poller.answers.evidence.markup import Raw, event, link, pairs, table, text
from poller.answers.words import count

WORD: Final = {
    "new": "never accepted",
    "accepted": "as accepted",
    "differs": "NOT as accepted",
}


def relay(one: rp.RelayPart) -> str:
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
