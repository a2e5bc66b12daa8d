"""A report of a span, from a journal: read by its indexes, some hundred events at a time."""

from __future__ import annotations

from dataclasses import replace

from poller.alarms.measures import Measures
from poller.answers.evidence import report
from poller.answers.evidence.configuration import Loaded, catalogue
from poller.answers.evidence.gather import KINDS, Gathering
from poller.answers.evidence.hiding import HIDDEN, hider, mapped, without_secrets
from poller.answers.evidence.reach import Kept, covered, reach
from poller.journal import Journal
from poller.journal.chain import Broken, Verified
from poller.journal.period import measures_of
from poller.journal.reader import Reader
from poller.journal.snapshot import base
from poller.model.canonical import stamp
from poller.site.settings import Site


def report_of(
    reader: Reader,
    span: report.Span,
    verified: Verified | Broken,
    *,
    compared: str,
    site: Site | None,
    hide_addresses: bool = False,
) -> report.Report:
    """verified: what came of following the chain; nothing behind where it breaks is told.

    compared: what its head was compared with, in words. site: the present one, for a configuration
    that was recorded before the oldest event that is kept. Raises JournalUnusable, and Refusal for
    a span that holds too much.
    """
    head = verified.head if isinstance(verified, Verified) else verified.kept
    first = min(reader.first_seq_since(stamp(span.first)) or head.seq + 1, head.seq + 1)
    after = reader.first_seq_since(stamp(span.last))
    last = head.seq if after is None else min(after - 1, head.seq)
    start = reader.start()
    gathering = Gathering(span, first, base(reader))
    done = start.seq
    while batch := reader.history(kinds=KINDS, after=done, before=last + 1):
        gathering.take(batch)
        done = batch[-1].seq
    last_loaded = _in_force(gathering, site)
    oldest = reader.read(0, 1)
    newest = reader.read(head.seq - 1, 1) if head.seq else []
    kept = Kept(
        first_seq=oldest[0].seq if oldest else 0,
        first_at=oldest[0].event.at if oldest else None,
        last_at=newest[0].event.at if newest else None,
        pruned=start.seq,
        keep_days=None if last_loaded is None else last_loaded.keep_days,
    )
    chain = report.Chain(
        journal=reader.journal(),
        seq=head.seq,
        hash=head.hash,
        events=verified.count if isinstance(verified, Verified) else head.seq - start.seq,
        first_seq=kept.first_seq,
        first_at=kept.first_at,
        last_at=kept.last_at,
        whole=isinstance(verified, Verified),
        says=_says(verified, compared),
    )
    made = report.Report(
        site=gathering.state.site or "not known",
        span=span,
        first_seq=first,
        last_seq=last,
        end_hash=reader.hash_at(last),
        chain=chain,
        reach=reach(kept, span),
        covered=covered(kept, span),
        asset_classes=gathering.asset_classes,
        relays=gathering.relays(),
        works=gathering.works(),
        packages=gathering.packages(),
        entered=gathering.entered(),
        poller=gathering.poller(),
        measures=_measures(reader, span, last_loaded) if chain.whole else None,
        configurations=tuple(
            report.Configuration(
                seq=one.seq,
                at=one.at,
                sha256=one.sha256,
                asset_class=one.asset_class,
                files=tuple((name, without_secrets(text)) for name, text in one.files.items()),
            )
            for one in gathering.loaded
        ),
        hidden=hide_addresses,
    )
    if not hide_addresses:
        return made
    hide = hider([one.keys for one in gathering.loaded], gathering.state)
    hidden = mapped(made, hide)
    relays = tuple(replace(one, address=HIDDEN) for one in hidden.relays)
    return replace(hidden, relays=relays, chain=made.chain, end_hash=made.end_hash)


def _in_force(gathering: Gathering, site: Site | None) -> Loaded | None:
    """The last configuration of the span; also where the event that has it is kept no more."""
    state = gathering.state
    if not gathering.loaded and state.site_sha256 is not None:
        known = site is not None and site.sha256 == state.site_sha256
        texts = site.texts if site is not None and known else {}
        at = gathering.span.first
        gathering.loaded.append(Loaded(0, at, state.site_sha256, texts))
    return gathering.loaded[-1] if gathering.loaded else None


def _measures(reader: Reader, span: report.Span, last: Loaded | None) -> Measures | None:
    found = None if last is None or not last.files else catalogue(last.files)
    return measures_of(Journal(reader), span.first, span.last, found)


def _says(verified: Verified | Broken, compared: str) -> str:
    if isinstance(verified, Broken):
        return (
            f"BROKEN at event {verified.seq:,}: {verified.reason}. This report ends before it, "
            f"with event {verified.kept.seq:,}."
        )
    return f"whole: each of {verified.count:,} events follows from the one before; {compared}"
