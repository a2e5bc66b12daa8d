"""bayroll package: packages of firmware against the approved list, before they are used."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated, Any, BinaryIO

import typer

from poller.answers.packages import PackageRow, package_row
from poller.answers.words import count
from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, SiteOption, Where, WhoOption
from poller.decide import Refusal
from poller.model import limits
from poller.model.canonical import plain
from poller.model.due import Signature
from poller.model.standing import State
from poller.model.text import shown
from poller.planning.archive import Kind, listing
from poller.planning.package import Fit, Listed, against_list, digest_says, fits, listed
from poller.planning.signature import is_good, public_key
from poller.site.packages import Package
from poller.site.settings import Site

package = typer.Typer(
    no_args_is_help=True, help="Packages of firmware, checked before they are used."
)

BLOCK = 1024 * 1024  # octets held at once


@package.command()
def check(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Packages.")],
    signature: Annotated[
        Path | None,
        typer.Option("--signature", metavar="FILE", help="Detached, of the one FILE."),
    ] = None,
    key: Annotated[
        Path | None,
        typer.Option(
            "--key", metavar="PEM", help="The maker's public key; else that of the approved list."
        ),
    ] = None,
    parts: Annotated[bool, typer.Option("--parts", help="List what is in it.")] = False,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Size, SHA-256, signature and contents of each FILE, and whether it fits each relay.

    The check is recorded (CIP-010-4, part 1.6). Ends with 1 where anything speaks against a file.
    """
    with common.told():
        if len(files) > limits.PACKAGE_FILES_MAX:
            raise Refusal(f"{len(files)} files at once; at most {limits.PACKAGE_FILES_MAX}")
        if signature is not None and len(files) > 1:
            raise Refusal("--signature is of one file: check the others by themselves")
        place = common.where(site)
        known = common.site_of(place)
        with common.journal(place) as journal:
            state = journal.state()
        rows = []
        for file in files:
            row = _checked(file, signature, key, place, known, state)
            _record(place, who, row)
            rows.append(row)
    for row in rows:
        if as_json:
            common.print_json(plain(row))
        else:
            _print(row, parts)
    raise typer.Exit(Exit.DONE if all(row.passed for row in rows) else Exit.FOUND)


def _checked(
    file: Path, signature: Path | None, key: Path | None, place: Where, site: Site, state: State
) -> PackageRow:
    try:
        with file.open("rb") as opened:
            return _of_open(file, opened, signature, key, place, site, state)
    except OSError as reason:
        common.fail(Exit.BAD_INPUT, f"{file}: it can't be read: {reason.strerror}")


def _of_open(
    file: Path,
    opened: BinaryIO,
    signature: Path | None,
    key: Path | None,
    place: Where,
    site: Site,
    state: State,
) -> PackageRow:
    size = opened.seek(0, 2)
    if size > limits.PACKAGE_BYTES_MAX:
        raise Refusal(f"{file}: {size:,} octets; no package is longer than 4 GiB")
    opened.seek(0)
    digest = hashlib.sha256()
    while block := opened.read(BLOCK):
        digest.update(block)
    found = listed(site.approved, file.name, digest.hexdigest())
    opened.seek(0)
    came = _signed(opened, size, signature, key, found, place, site, digest.digest())
    opened.seek(0)
    held = listing(opened, size)
    against = [*against_list(found, size, digest.hexdigest()), *held.against]
    if came is Signature.BAD:
        against.append("its signature is not that of the key")
    told: tuple[Fit, ...] = ()
    if found is not None and site.approved is not None:
        told = fits(found, site.approved, state, common.live(place))
    return package_row(
        file=file.name,
        size=size,
        sha256=digest.hexdigest(),
        found=found,
        signature=came,
        held=held,
        fits=told,
        against=tuple(against[: limits.AGAINST_MAX]),
        state=state,
    )


def _signed(
    opened: BinaryIO,
    size: int,
    signature: Path | None,
    key: Path | None,
    found: Listed | None,
    place: Where,
    site: Site,
    sha256: bytes,
) -> Signature:
    if signature is None:
        return Signature.NONE
    if key is None:
        named = None if found is None else found.package.key
        if named is None or place.site_file is None or site.file.approved is None:
            raise Refusal("whose signature? name the maker's public key with --key PEM")
        key = (place.site_file.parent / site.file.approved).parent / named
    try:
        known = public_key(_small(key))
    except Refusal as reason:
        raise Refusal(f"{key}: {reason}") from reason
    if size > limits.SIGNED_BYTES_MAX:
        raise Refusal(f"{size:,} octets; a signature is checked of 512 MiB at most")
    return (
        Signature.GOOD
        if is_good(known, _small(signature), sha256, opened.read())
        else (Signature.BAD)
    )


def _small(file: Path) -> bytes:
    """A key or a signature."""
    try:
        with file.open("rb") as opened:
            data = opened.read(limits.KEY_BYTES_MAX + 1)
    except OSError as reason:
        common.fail(Exit.BAD_INPUT, f"{file}: it can't be read: {reason.strerror}")
    if len(data) > limits.KEY_BYTES_MAX:
        raise Refusal(f"{file}: it is longer than any key or signature")
    return data


def _record(place: Where, who: str, row: PackageRow) -> None:
    args: dict[str, Any] = {
        "who": who,
        "file": row.file,
        "size": row.size,
        "sha256": row.sha256,
        "rule": row.rule or "none",
        "version": row.version or "none",
        "signature": row.signature.value,
        "relays": [one.relay for one in row.relays if one.fits],
        "against": [shown(says, limits.REASON_MAX) for says in row.against],
        "source": shown(row.source or "the approved list has none", limits.REASON_MAX),
    }
    ask(place, "package_record", args)


def _print(row: PackageRow, parts: bool) -> None:
    say = common.say
    named = "not in the approved list" if row.rule is None else f"{row.rule} {row.version}"
    came = "nothing speaks against it" if row.passed else "NOT as it is to be"
    say(f"{row.file}: {named}; {came}")
    say(f"{row.size:,} octets, SHA-256 {row.sha256}", 4)
    if row.source is not None:
        say(f"the digest came {row.source}", 4)
    say(row.signature_says, 4)
    if row.archive == Kind.NONE:
        say("no archive that is looked into", 4)
    else:
        say(f"{row.archive} of {count(len(row.parts), 'part', 'parts')}", 4)
    for part in row.parts[: limits.ARCHIVE_TOLD_MAX] if parts else ():
        say(f"{'folder' if part.folder else f'{part.size:,}':>14}  {part.name}", 8)
    for says in row.against:
        say(f"against it: {says}", 4)
    for one in row.relays:
        say(f"{one.position}, {one.present or 'firmware not known'}: {one.says}", 4)


def _others(state: State, one: Package) -> str:
    """Of files of this name that are not the one of the list; the last that did not pass."""
    found = [
        each
        for digest, each in state.packages.items()
        if each.file == one.file and digest != one.sha256 and not each.passed
    ]
    if not found:
        return ""
    last = max(found, key=lambda each: each.at)
    return f"\nanother file of this name, {last.at:%Y-%m-%d}: NOT passed"


@package.command("list")
def list_(site: SiteOption = None, as_json: JsonOption = False) -> None:
    """Packages of the approved list, and when each was last checked by whom."""
    with common.told():
        place = common.where(site)
        known = common.site_of(place)
        with common.journal(place) as journal:
            state = journal.state()
    rules = () if known.approved is None else known.approved.rules
    drawn = common.table(("family", "version", "file, how the digest came", "last checked"))
    number = 0
    for rule in rules:
        for one in rule.packages:
            last = state.packages.get(one.sha256)
            number += 1
            if as_json:
                told = {"rule": rule.id, "family": rule.family, **one.model_dump(mode="json")}
                common.print_json(told | {"checked": None if last is None else plain(last)})
                continue
            word = "never"
            if last is not None:
                came = "passed" if last.passed else "NOT passed"
                word = f"{last.at:%Y-%m-%d} by {shown(last.by or 'nobody named')}: {came}"
            word += _others(state, one)
            drawn.add_row(rule.family, one.version, f"{one.file}\n{digest_says(one)}", word)
    if not as_json:
        common.out.print(drawn)
        common.out.print(count(number, "package", "packages"))
