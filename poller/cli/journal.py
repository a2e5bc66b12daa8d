"""bayroll journal: verify, export, removed, recover."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Final

import typer

from poller.answers.evidence import manifest
from poller.answers.words import count
from poller.cli import bundles, common
from poller.cli.common import Exit, JsonOption, SiteOption
from poller.journal import Journal, retention
from poller.journal.chain import Broken
from poller.journal.export import export as export_to
from poller.journal.export import recover as recover_into
from poller.journal.ports import CommitFailed, Head
from poller.journal.reader import Reader
from poller.model.canonical import encode
from poller.planning.signature import private_key
from poller.web.passwords import beside

journal = typer.Typer(no_args_is_help=True, help="The journal: is it whole, and what stands in it.")
FileOption = Annotated[
    Path | None, typer.Option("--file", help="A journal file, in place of the site's.")
]

SEQ_MAX: Final = 2**63 - 1  # the highest number that a journal file has room for


def _path(file: Path | None, site: Path | None) -> Path:
    return file if file is not None else common.where(site).journal


@journal.command()
def verify(
    file: FileOption = None,
    head: Annotated[
        str | None,
        typer.Option("--head", metavar="SEQ:HASH", help="One noted elsewhere; shows a cut tail."),
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Follow the chain of hashes; name the first event that is not as it was written."""
    with common.told():
        path = _path(file, site)
        with Reader.open(path, torn=True) as opened, common.err.status(f"following {path}"):
            # before anything is read: a service beside it only goes on from there
            noted = head_named(head) or opened.noted()
            result = opened.verify(noted)
    if isinstance(result, Broken):
        if as_json:
            common.print_json({"whole": False, "seq": result.seq, "reason": result.reason})
        else:
            common.out.print(
                f"{path}: broken at event {result.seq}: {result.reason}\n"
                f"    mend: keep this file as it is; save what verifies (up to event "
                f"{result.kept.seq}) with: bayroll journal recover {path} NEW_FILE, then "
                "journal: {file: NEW_FILE} in the site"
            )
        raise typer.Exit(Exit.FOUND)
    if as_json:
        found = {"whole": True, "seq": result.head.seq, "hash": result.head.hash}
        common.print_json(found | {"events": result.count})
    else:
        common.out.print(
            f"{path}: whole; {count(result.count, 'event', 'events')}, "
            f"head {result.head.seq}:{result.head.hash}"
        )


def head_named(text: str | None) -> Head | None:
    """A head as people note it; ends the command where it is none."""
    if text is None:
        return None
    seq, colon, digest = text.partition(":")
    if not colon or not seq.isdecimal() or len(digest) != 64:
        common.fail(
            Exit.BAD_INPUT, f"--head {text}: write it as SEQ:HASH, the hash in 64 hex digits"
        )
    return Head(seq=int(seq), hash=digest.lower())


@journal.command()
def export(
    file: FileOption = None,
    after: Annotated[
        int, typer.Option("--after", help="Events with a higher seq only.", min=0, max=SEQ_MAX)
    ] = 0,
    site: SiteOption = None,
) -> None:
    """Print every event as one JSON line, with its hash."""
    with common.told(), Journal.open(_path(file, site)) as opened:
        export_to(opened.reader, sys.stdout, after)


@journal.command()
def removed(
    file: FileOption = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="A new folder for it, with a list of SHA-256."),
    ] = None,
    sign: Annotated[
        Path | None,
        typer.Option("--sign", metavar="PEM", help="A private Ed25519 key, to sign that list."),
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """What was dropped when its time was over, and what the chain hangs on since."""
    if sign is not None and out is None:
        common.fail(Exit.BAD_INPUT, "--sign: what is signed is written; give --out DIR as well")
    with common.told():
        path = _path(file, site)
        key = None if sign is None else bundles.keyed(sign, private_key)
        with Reader.open(path) as opened:
            found = retention.removed(opened)
        if out is not None:
            bundles.must_be_new(out)
            files = {"removed.json": encode(found) + b"\n"}
            files[manifest.NAME] = manifest.manifest(files)
            if key is not None:
                files[manifest.SIGNATURE] = key.sign(files[manifest.NAME])
            bundles.write(out, files)
    if as_json:
        common.print_json(found)
    elif not found["removed"]:
        common.out.print(f"{path}: nothing was ever dropped")
    else:
        table = common.table(["dropped at", "events", "how many", "the chain hangs on"])
        for one in found["removed"]:
            count = sum(one["counts"].values())
            span = f"{one['first_seq']} to {one['last_seq']}"
            table.add_row(one["at"], span, f"{count:,}", one["last_hash"])
        common.out.print(table)
    if out is not None and not as_json:
        common.say(f"{out}: check it with: bayroll evidence check {out}")


@journal.command()
def recover(
    damaged: Annotated[Path, typer.Argument(help="The damaged journal; it is only read.")],
    new_file: Annotated[Path, typer.Argument(help="A file that does not exist yet.")],
) -> None:
    """Copy the events that verify out of a damaged journal into a new one."""
    with common.told():
        try:
            saved = recover_into(damaged, new_file)
        except CommitFailed as reason:
            common.fail(
                Exit.UNREACHABLE,
                f"{new_file}: it can't be written: {reason}\n    mend: name a file on another disk",
            )
    common.out.print(f"{new_file}: {count(saved.kept, 'event', 'events')} kept")
    if saved.broken is not None:
        common.out.print(f"not kept from event {saved.broken.seq} on: {saved.broken.reason}")
    common.out.print(
        f"next: journal: {{file: {new_file}}} in the site. Do not move it over the old file: a log "
        "left beside that would be read into it"
    )
    if beside(damaged).exists():
        common.out.print(
            "and the passwords, without which nobody can sign in: cp --preserve=all "
            f"{beside(damaged)} {beside(new_file)}"
        )
    if saved.broken is not None:
        raise typer.Exit(Exit.FOUND)
