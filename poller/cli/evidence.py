"""bayroll evidence: what an auditor is given of a span, and whether such a bundle is whole."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from poller.answers.evidence.bundle import PAGE, bundle
from poller.answers.evidence.remarks import remarks
from poller.answers.evidence.report import Report, Span
from poller.answers.words import count, moment
from poller.cli import bundles, common
from poller.cli.alarms import ListByItself
from poller.cli.common import Exit, JsonOption, SiteOption
from poller.cli.journal import FileOption, head_named
from poller.cli.zone import machine_zone
from poller.journal.evidence import report_of
from poller.journal.reader import Reader
from poller.model.refusal import Refusal
from poller.planning.signature import is_good, private_key, public_key
from poller.site.settings import Site
from poller.work.window import instant, zone_named


class MakeByItself(ListByItself):
    """`bayroll evidence --from ...` is `bayroll evidence make --from ...`."""

    by_itself = "make"


evidence = typer.Typer(
    cls=MakeByItself,
    help="What an auditor is given of a span: a report to print, with tables beside it.\n\n"
    "Without a command: make.",
)


@evidence.command()
def make(
    start: Annotated[str, typer.Option("--from", metavar="TIME", help="2026-01-01; included.")],
    end: Annotated[str, typer.Option("--to", metavar="TIME", help="2026-04-01; not included.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A folder not there yet.")],
    zone: Annotated[
        str | None, typer.Option("--zone", help="Time zone, Europe/Berlin; default: the machine's.")
    ] = None,
    hide_addresses: Annotated[
        bool, typer.Option("--hide-addresses", help="In every file, the configuration too.")
    ] = False,
    sign: Annotated[
        Path | None,
        typer.Option("--sign", metavar="PEM", help="A private Ed25519 key, to sign the bundle."),
    ] = None,
    head: Annotated[
        str | None,
        typer.Option("--head", metavar="SEQ:HASH", help="Of the journal, noted elsewhere."),
    ] = None,
    file: FileOption = None,
    site: SiteOption = None,
) -> None:
    """Write report.html, its tables as CSV, and the configuration, into a new folder.

    The same journal and span give the same bytes. Ends with 1 where the journal is broken; the
    report then says so, and ends before.
    """
    with common.told():
        span = _span(start, end, zone)
        key = None if sign is None else bundles.keyed(sign, private_key)
        bundles.must_be_new(out)
        journal, present = (file, None) if file is not None else _placed(site)
        noted = head_named(head)
        with Reader.open(journal, torn=True) as reader:
            with common.err.status(f"following {journal}"):
                known = noted or reader.noted()
                verified = reader.verify(known)
            compared = "its head was compared with none noted elsewhere"
            if noted is not None:
                compared = f"it passes through the head noted elsewhere, event {noted.seq:,}"
            elif known is not None:
                compared = "it passes through the head that its writer noted beside it"
            with common.err.status("gathering"):
                report = report_of(
                    reader,
                    span,
                    verified,
                    compared=compared,
                    site=present,
                    hide_addresses=hide_addresses,
                )
                files = bundle(report, None if key is None else key.sign)
        bundles.write(out, files)
    _print(out, report, len(files), signed=key is not None)
    raise typer.Exit(Exit.DONE if report.chain.whole else Exit.FOUND)


def _placed(site: Path | None) -> tuple[Path, Site | None]:
    place = common.where(site)
    return place.journal, common.site_if_sound(place)


def _span(start: str, end: str, zone: str | None) -> Span:
    """Raises Refusal."""
    local = zone_named(zone or machine_zone())
    first, last, now = instant(start, local), instant(end, local), datetime.now(UTC)
    # with its offset, so that it is a time in the night in which the clock is put back too
    latest = now.astimezone(local).isoformat(timespec="minutes")
    if first >= now:
        raise Refusal(
            f"--from {start}: that is still to come\n    mend: give a time before {latest}"
        )
    if last <= first:
        raise Refusal(
            "--to is not after --from: the span would be empty\n"
            f"    mend: give a later --to, up to now, {latest}; "
            "a date alone is the midnight with which that day begins"
        )
    if last > now:
        raise Refusal(
            f"--to {end}: that is still to come, and a report would say less than it seems to\n"
            f"    mend: give a time up to now, for example --to {latest}"
        )
    return Span(first=first, last=last)


def _print(out: Path, report: Report, files: int, *, signed: bool) -> None:
    say = common.out.print
    say(f"{out / PAGE}: {moment(report.span.first)} to {moment(report.span.last)}")
    say(
        f"    {count(len(report.relays), 'relay', 'relays')}, "
        f"{count(len(report.changes), 'change', 'changes')}, "
        f"{count(len(report.works), 'piece of work', 'pieces of work')}; "
        f"{count(files, 'file', 'files')} in all"
    )
    say(f"    journal {report.chain.says}")
    say(f"    head {report.chain.seq}:{report.chain.hash}")
    for says in report.reach:
        say(f"    {says}")
    asked = len(remarks(report))
    say(f"    {count(asked, 'remark asks', 'remarks ask')} for an answer; they stand on top")
    say(f"{'signed' if signed else 'not signed'}; check it with: bayroll evidence check {out}")


@evidence.command()
def check(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A bundle.")],
    key: Annotated[
        Path | None,
        typer.Option("--key", metavar="PEM", help="The public key of whoever signed it."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Whether a bundle is as it was made: every file by its SHA-256, and its signature.

    Ends with 1 where a file was changed, is missing or was added, or the signature is not good.
    """
    with common.told():
        known = None if key is None else bundles.keyed(key, public_key)
        found = bundles.checked(folder)
        signed = "not signed"
        good = known is None
        if found.signature is not None:
            signed = "signed; name the signer's public key with --key PEM to check by whom"
        if known is not None and found.signature is not None:
            good = is_good(known, found.signature, found.digest, found.manifest)
            signed = (
                "the signature is that of the key" if good else "the signature is NOT the key's"
            )
    whole = found.compared.whole
    if as_json:
        told = {"changed": found.compared.changed, "missing": found.compared.missing}
        common.print_json(
            told | {"added": found.compared.added, "whole": whole, "signed": signed, "good": good}
        )
    else:
        for word in ("changed", "missing", "added"):
            for name in getattr(found.compared, word):
                common.out.print(f"{word}: {name}")
        says = "every file is as it was made" if whole else "NOT as it was made"
        common.out.print(f"{folder}: {says}; {signed}")
    raise typer.Exit(Exit.DONE if whole and good else Exit.FOUND)
