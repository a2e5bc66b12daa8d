"""What every command shares: exit codes, where a site lies, and two ways to print."""

from __future__ import annotations

import json
import os
import sys
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import Annotated, Final, NoReturn, TypeAlias

import typer
from rich.console import Console
from rich.table import Table

from poller.cli import no_service
from poller.decide import Refusal
from poller.edges import control
from poller.edges.advisory_folder import known_of
from poller.journal import Journal
from poller.journal.store import JournalUnusable
from poller.model.canonical import adapter
from poller.model.near import instead, near, positions
from poller.model.problems import Faulty
from poller.model.standing import State
from poller.model.status import StatusReading
from poller.model.text import shown
from poller.planning.known import Known
from poller.site.load import load_site
from poller.site.settings import Site


class Exit(IntEnum):
    DONE = 0
    FOUND = 1  # found something wrong
    BAD_INPUT = 2
    UNREACHABLE = 3  # could not reach, or could not lock


# into a file or a pipe a table keeps its columns, however long they are
WIDE = None if sys.stdout.isatty() else 240
out = Console(soft_wrap=True, highlight=False, markup=False, emoji=False, width=WIDE)
err = Console(stderr=True, soft_wrap=True, highlight=False, markup=False, emoji=False)

SiteOption: TypeAlias = Annotated[
    Path | None,
    typer.Option(
        "--site",
        envvar="BAYROLL_SITE",
        help="The site file; without it, the one service that runs here.",
    ),
]
JsonOption: TypeAlias = Annotated[bool, typer.Option("--json", help="For programs: JSON lines.")]
WhoOption: TypeAlias = Annotated[
    str, typer.Option("--who", envvar="BAYROLL_WHO", help="Your name; the journal keeps it.")
]
WhyOption: TypeAlias = Annotated[
    str, typer.Option("--why", help="The reason; the journal keeps it.")
]
ReferenceOption: TypeAlias = Annotated[
    str | None, typer.Option("--reference", help="A work order, report or drawing number.")
]


NAMES_SHOWN: Final = 20  # where none is near the one that was asked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """A site on this machine. site_file: None where only the running service is known."""

    site_file: Path | None
    journal: Path

    @property
    def socket(self) -> Path:
        return control.socket_path(self.journal)


def fail(code: Exit, text: str) -> NoReturn:
    """Ends the command with a sentence on stderr."""
    err.print(text)
    raise typer.Exit(code)


@contextmanager
def told() -> Iterator[None]:
    """Faults that a person can mend, as sentences and exit codes."""
    try:
        yield
    except Faulty as reason:
        fail(Exit.BAD_INPUT, str(reason))
    except Refusal as reason:
        fail(Exit.BAD_INPUT, str(reason))
    except control.Unreachable as reason:
        fail(
            Exit.UNREACHABLE,
            f"no service answers: {reason}\n    mend: start it with: bayroll run SITE",
        )
    except JournalUnusable as reason:
        fail(Exit.UNREACHABLE, str(reason))


def read_text(path: str) -> str:
    """For the loaders, which open nothing themselves."""
    return Path(path).read_text(encoding="utf-8")


def load(site_file: Path) -> Site:
    """The site of that file. Raises Faulty with every problem of every file."""
    return load_site(str(site_file), read_text)


def journal_of(site_file: Path, site: Site) -> Path:
    return site_file.parent / site.file.journal.file


def where(site_file: Path | None) -> Where:
    """The site that a command means: the one named, else the only one that runs here."""
    if site_file is not None:
        return Where(site_file=site_file, journal=journal_of(site_file, load(site_file)))
    sockets = control.running()
    if len(sockets) == 1:
        hello = control.request(sockets[0], "hello", "hello", {})
        return Where(site_file=Path(hello["site_file"]), journal=Path(hello["journal"]))
    if not sockets:
        fail(
            Exit.BAD_INPUT,
            "which site? No service runs here.\n"
            "    mend: name the site file with --site FILE, or set BAYROLL_SITE; "
            "where one does run, set BAYROLL_RUNTIME_DIR as it has it",
        )
    names = [control.request(path, "hello", "hello", {})["site_file"] for path in sockets]
    fail(
        Exit.BAD_INPUT,
        f"which site? {len(names)} services run here: {', '.join(names)}\n"
        "    mend: name one of them with --site FILE",
    )


def site_of(place: Where) -> Site:
    """The site as its files say it now. Raises Faulty."""
    if place.site_file is None:
        fail(Exit.BAD_INPUT, "which site?\n    mend: name the site file with --site FILE")
    return load(place.site_file)


def site_if_sound(place: Where) -> Site | None:
    """The site, for what is told better with it; None where its files have faults just now."""
    try:
        return site_of(place)
    except Faulty:
        return None


def known(place: Where) -> Known:
    """Everything that advisories and bulletins say of this site now. Raises Faulty."""
    site = site_of(place)
    with journal(place) as opened:
        state = opened.state()
    assert place.site_file is not None, "the site was read from it"
    return known_of(place.site_file, site, state)


def relays_known(state: State, names: Iterable[str]) -> None:
    """Ends the command at the first that was never listed."""
    for name in names:
        if name not in state.relays:
            there = near(name, positions(state.relays))
            fail(Exit.BAD_INPUT, f"{name}: no such relay; {instead(there, 'see: bayroll list')}")


def one_of(what: str, asked: str | None, known: Iterable[str]) -> None:
    """Ends the command at a filter that nothing can pass: it would tell that all is well."""
    names = {name: name for name in sorted(known)}
    if asked is not None and asked not in names:
        there = near(asked, names) or tuple(names)[:NAMES_SHOWN]
        told = instead(map(shown, there), "none is known")
        fail(Exit.BAD_INPUT, f"{asked}: no such {what}; {told}")


def bay_known(state: State, asked: str | None) -> None:
    """As one_of, of a bay of the roll, whatever the case."""
    bays = {relay.bay for relay in state.relays.values()}
    if asked is not None and asked.casefold() not in {bay.casefold() for bay in bays}:
        one_of("bay", asked, bays)


def pairs(given: Iterable[str]) -> dict[str, str]:
    """Of ATTRIBUTE=TEXT as people write it. Ends the command where an equals sign is missing."""
    found = {}
    for one in given:
        name, equals, text = one.partition("=")
        if not equals:
            fail(Exit.BAD_INPUT, f"{one}: write it as ATTRIBUTE=TEXT")
        found[name] = text
    return found


def table(names: Iterable[str]) -> Table:
    """With these headings; long text is folded, nothing is cut."""
    drawn = Table(box=None, pad_edge=False, show_edge=False)
    for name in names:
        drawn.add_column(name, overflow="fold")
    return drawn


def say(text: str, indent: int = 0, hang: int = 4) -> None:
    """A line; a terminal folds it between words, with what follows so much further in."""
    before = " " * indent
    if not out.is_terminal:
        out.print(f"{before}{text}")
        return
    folded = textwrap.wrap(
        text,
        out.width,
        initial_indent=before,
        subsequent_indent=before + " " * hang,
        break_long_words=False,
        break_on_hyphens=False,
    )
    for line in folded:
        out.print(line)


def live(place: Where) -> Mapping[str, StatusReading]:
    """The last readings, from the running service; none where it is stopped, which is told."""
    return live_if_polled(place) or {}


def live_if_polled(place: Where) -> Mapping[str, StatusReading] | None:
    """As live; None where no service answers."""
    try:
        readings = control.request(place.socket, "live", "live", {})
    except control.Unreachable:
        err.print(no_service.told_as_of(place.journal))
        return None
    kind = adapter(StatusReading)
    return {name: kind.validate_python(reading) for name, reading in readings.items()}


def tell_if_stopped(place: Where) -> None:
    """On stderr, for answers that only the journal gives."""
    try:
        control.request(place.socket, "hello", "hello", {})
    except control.Unreachable:
        err.print(no_service.told_as_of(place.journal))


def print_json(value: object) -> None:
    """One line of JSON; plain ASCII, so that nothing a device sent reaches a terminal as it is."""
    sys.stdout.write(json.dumps(value, ensure_ascii=True, sort_keys=True) + os.linesep)
    sys.stdout.flush()


def journal(place: Where) -> Journal:
    """The journal, to read. Raises JournalUnusable."""
    return Journal.open(place.journal)
