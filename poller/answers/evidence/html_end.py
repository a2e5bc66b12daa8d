"""What stands behind the relays: packages, what people entered, alarms, journal, configuration."""

from __future__ import annotations

from collections.abc import Iterator

from poller.answers.evidence import report as rp
from poller.answers.evidence.markup import Raw, bullets, event, pairs, table, text
from poller.answers.measures import TOO_SHORT, number, source, stands
from poller.answers.words import count, moment


def packages(report: rp.Report) -> Iterator[str]:
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


def alarms(report: rp.Report) -> Iterator[str]:
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


def journal(report: rp.Report) -> Iterator[str]:
    chain = report.chain
    yield '<h2 id="journal">The journal</h2>'
    yield pairs(
        [
            ("journal", chain.journal),
            ("verified", chain.says),
            ("head", Raw(f"<code>{chain.seq}:{chain.hash}</code>")),
            ("its time", chain.last_at),
            (
                "at the end of the span",
                Raw(f"<code>{report.last_seq}:{report.end_hash}</code>") if report.end_hash else "",
            ),
            ("oldest event", Raw(f"{event(chain.first_seq)} {text(chain.first_at)}")),
        ]
    )
    yield bullets(report.reach)
    yield "<h3>When the poller ran</h3>"
    yield table(("event", "when", "by", "what"), map(_told, report.poller))
    yield '<h2 id="configuration">Configuration</h2>'
    yield "<p>As the journal recorded it; the files lie beside this one, in configuration/. Users "
    yield "and passwords never stand in them; a remark that might hold one is left out"
    yield ", and so is every address" if report.hidden else ""
    yield ". The SHA-256 is that of the files as they were.</p>"
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
