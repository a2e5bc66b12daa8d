"""bayroll selftest: all that must be well for the service to be left alone, and what is not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import typer

from poller.answers import selftest as answers
from poller.answers.selftest import Found, Line
from poller.cli import common, no_service
from poller.cli.common import Exit, JsonOption, SiteOption, Where
from poller.decide import Refusal
from poller.edges import control, files_seen, machine
from poller.journal import JournalUnusable
from poller.journal.file import SCHEMA_VERSION
from poller.model.problems import Faulty, Problem
from poller.model.standing import State
from poller.publishing.opcua.output import OWN_CERTIFICATE, OWN_KEY
from poller.site.settings import Site
from poller.web.passwords import beside

COLUMN: Final = max(map(len, Found)) + 2


def selftest(site: SiteOption = None, as_json: JsonOption = False) -> None:
    """Look at clock, disk, files, certificates, journal, outputs and relays; say what to mend.

    Nothing is asked of a relay: what the running service knows is told. Exit 1 where something is
    to be looked at.
    """
    with common.told():
        lines = tuple(_lines(_where(site)))
    if as_json:
        for line in lines:
            common.print_json(asdict(line))
    else:
        _print(answers.together(lines))
    well = all(line.found is not Found.LOOK for line in lines)
    raise typer.Exit(Exit.DONE if well else Exit.FOUND)


def _where(site_file: Path | None) -> Where:
    """As common.where; also where its files have faults, as long as a service runs under them."""
    try:
        return common.where(site_file)
    except Faulty:
        for socket in control.running():
            hello = control.request(socket, "hello", "hello", {})
            if site_file is not None and Path(hello["site_file"]) == site_file.resolve():
                return Where(site_file=site_file, journal=Path(hello["journal"]))
        raise


def _lines(where: Where) -> Iterator[Line]:
    now = datetime.now(UTC)
    status, live = _asked(where)
    site, faults = _site(where)
    state, unusable = _state(where)
    why_not = no_service.why(where.journal)
    yield from answers.of_service(status, version("bayroll"), why_not)
    yield answers.of_site(faults, site, state)
    yield answers.of_journal(unusable, SCHEMA_VERSION)
    seen = machine.look(where.journal)
    yield answers.of_clock(seen.clock_kept)
    yield answers.of_disk(seen.disk_free)
    if site is not None and where.site_file is not None:
        yield from _files(where.site_file, site, where.journal, now)
    yield from answers.of_outputs(status, site.file.outputs if site is not None else ())
    yield from answers.of_relays(state, live, now)


def _asked(where: Where) -> tuple[dict[str, Any] | None, Mapping[str, Any] | None]:
    """What the service tells; None twice where none answers."""
    try:
        status: dict[str, Any] = control.request(where.socket, "status", "status", {})
    except (control.Unreachable, Refusal):
        return None, None
    return status, common.live(where)


def _site(where: Where) -> tuple[Site | None, tuple[Problem, ...]]:
    try:
        return common.site_of(where), ()
    except Faulty as reason:
        return None, reason.problems


def _state(where: Where) -> tuple[State | None, Problem | None]:
    try:
        with common.journal(where) as journal:
            return journal.state(), None
    except JournalUnusable as reason:
        return None, reason.problem


def _files(site_file: Path, site: Site, journal: Path, now: datetime) -> Iterator[Line]:
    files = [*files_seen.kept(site_file, site, journal, beside(journal))]
    certificates = [*files_seen.certificates(site_file, site)]
    # made beside the journal where the site file names none
    for path in (journal.with_name(OWN_KEY), journal.with_name(OWN_CERTIFICATE)):
        if path.exists() and "opcua" in site.file.outputs:
            key = path.name == OWN_KEY
            files += [files_seen.Kept(path, answers.OTHERS_READ)] if key else []
            certificates += [] if key else [(path, False)]
    for one in files:
        yield answers.of_file(files_seen.look_at(one.path), one.not_for_others)
    for path, of_authority in certificates:
        yield answers.of_certificate(files_seen.certificate(path, of_authority), now)
    for pair in files_seen.pairs(site_file, site):
        yield from answers.of_pair(str(pair[0]), str(pair[1]), files_seen.unpaired(*pair))


def _print(lines: tuple[Line, ...]) -> None:
    for line in lines:
        about = f" {line.about}" if line.about else ""
        common.say(f"{line.found.value:{COLUMN}}{line.check}{about}: {line.says}", hang=COLUMN)
        if line.mend is not None:
            common.say(f"mend: {line.mend}", indent=COLUMN, hang=0)
    wrong = sum(line.found is Found.LOOK for line in lines)
    common.out.print()
    common.say(f"{wrong} to be looked at" if wrong else "nothing that has to be looked at")
