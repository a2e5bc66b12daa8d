"""bayroll check: every fault of every file of a site, at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import typer

from poller.answers.words import count, place
from poller.cli import common
from poller.cli.common import Exit, JsonOption
from poller.cli.page import page_problems
from poller.cli.run import SiteArgument, look_up
from poller.edges import files_seen
from poller.edges.clock import SystemClock
from poller.journal.memory import MemoryCommitter
from poller.model.problems import Faulty, Problem
from poller.model.text import shown
from poller.publishing.opening import open_outputs
from poller.publishing.ports import Context
from poller.site.settings import Site, pace


def check(
    site_file: SiteArgument,
    as_json: JsonOption = False,
) -> None:
    """Say what is wrong with SITE and its maps: what, where, and how to mend it."""
    problems: list[Problem] = []
    site = None
    try:
        site = common.load(site_file)
    except Faulty as reason:
        problems = list(reason.problems)
    if site is not None:
        problems = output_problems(site, site_file)
        problems += page_problems(site, site_file, common.journal_of(site_file, site))
    for problem in problems:
        if as_json:
            common.print_json(asdict(problem))
        else:
            common.out.print(str(problem))
    if site is None or problems:
        raise typer.Exit(Exit.BAD_INPUT)
    for notice in (
        *same_position(site),
        *unread_secrets(site, site_file),
        *journal_place(common.journal_of(site_file, site)),
    ):
        common.err.print(f"{site_file}: {notice}")
    busiest = max(60 / pace(site.file.intervals, entry).status_s for entry in site.file.relays)
    said = {
        "site": site.file.site,
        "relays": len(site.file.relays),
        "maps": sorted(site.maps),
        "visits_per_minute_at_most": round(busiest, 2),
    }
    if as_json:
        common.print_json(said)
    else:
        common.out.print(
            f"{site_file}: no faults; {count(len(site.file.relays), 'relay', 'relays')}, "
            f"maps {', '.join(sorted(site.maps))}; "
            f"a relay is visited {said['visits_per_minute_at_most']} times a minute at most"
        )


def same_position(site: Site) -> Iterator[str]:
    """What people can't tell apart. It is no fault: a site that runs so is to start again."""
    found: dict[str, list[str]] = defaultdict(list)
    for relay in site.file.relays:
        found[place(relay.bay, relay.function).casefold()].append(relay.id)
    for ids in found.values():
        if len(ids) > 1:
            one = site.relay(ids[0])
            yield (
                f"{', '.join(ids)} are all {place(one.bay, one.function)}: tables, alarms and "
                "messages for people call them the same\n"
                "    mend: give each a bay and function of its own"
            )


def unread_secrets(site: Site, site_file: Path) -> Iterator[str]:
    """No fault: the service may run as another user, or on another computer."""
    for at, path in files_seen.secrets(site_file, site):
        why = files_seen.unreadable(path)
        if why is not None:
            yield (
                f"{at}: {shown(str(path))} can't be read here: {shown(why)}\n"
                "    mend: put it there, for the service's user to read, before the service starts"
            )


def journal_place(journal: Path) -> Iterator[str]:
    """No fault, as of secrets."""
    at, folder = "journal.file", shown(str(journal.parent))
    if any(part.startswith("~") for part in journal.parts):
        yield f"{at}: ~ is no home folder here\n    mend: write out the folder, from / on"
    elif journal.is_dir():
        yield f"{at}: {shown(str(journal))} is a folder\n    mend: name a file in it"
    elif not journal.parent.is_dir():
        yield (
            f"{at}: there is no folder {folder} here\n"
            "    mend: make it before the service starts, for its user to write in"
        )


def output_problems(site: Site, site_file: Path) -> list[Problem]:
    """What is wrong with the outputs that a site names. Opening one connects to nothing."""
    nothing = MemoryCommitter()

    def context_for(name: str) -> Context:
        return Context(
            name=name,
            site=site,
            settings=site.file.outputs[name],
            reader=nothing,
            committer=nothing,
            live=dict,
            now=SystemClock().utc,
            secrets=lambda secret: look_up(secret, site_file.parent),
            extra={"folder": site_file.parent},
        )

    return open_outputs(site, context_for, file=str(site_file))[1]
