"""A command of a person: to the running service, or, where none runs, by the same handler here."""

from __future__ import annotations

import asyncio
import json
import os
import uuid
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple

from poller.cli import common
from poller.cli.common import Where
from poller.decide import Command, Refusal, SiteRead, decide
from poller.edges import commands, control
from poller.journal.committer import ThreadCommitter
from poller.journal.store import Reader, Writer
from poller.model.standing import State
from poller.site.settings import Site

# what a person enters about a site that no service ever ran for; all else is about what was read
BEGINS_A_JOURNAL: Final = frozenset({"reading_enter", "user_add"})


class Answered(NamedTuple):
    """by_service: a running service carried it out; else it was noted here, for when one starts."""

    answer: dict[str, Any]
    by_service: bool


def ask(place: Where, op: str, args: dict[str, Any]) -> dict[str, Any]:
    """The answer, once it is durable. args: who, and what the command needs.

    Raises Refusal with the reason, JournalUnusable or Locked where the journal can't be had.
    """
    return ask_whoever(place, op, args).answer


def ask_whoever(place: Where, op: str, args: dict[str, Any]) -> Answered:
    """As ask, and by whom."""
    number = str(uuid.uuid4())
    try:
        answer: dict[str, Any] = control.request(place.socket, number, op, args)
    except control.Unanswered as reason:
        raise Refusal(
            f"{reason}: what was asked may be done yet\n"
            "    mend: see bayroll status, and bayroll history for whether it was"
        ) from reason
    except control.Unreachable:
        return Answered(asyncio.run(_here(place, number, op, args)), by_service=False)
    return Answered(answer, by_service=True)


async def _here(place: Where, number: str, op: str, args: dict[str, Any]) -> dict[str, Any]:
    if place.site_file is None:
        raise Refusal("the service went away; name the site file with --site FILE")
    site = common.load(place.site_file)
    args = dict(args)
    by = commands.person(args.pop("who", None), os.getuid())
    given = commands.command(op, args)
    if not place.journal.exists():
        _may_begin(place, site, op, given, by)
    with Writer.open(place.journal) as writer:
        reader = Reader.open(place.journal)
        committer = ThreadCommitter(writer)
        try:
            now, state = datetime.now(UTC), reader.load_state()
            # the service may never have run yet
            listed = decide(state, site, SiteRead(), now)
            events = decide(listed.after, site, given, now, by=by, cause=number).events
            if listed.events:
                await committer.commit(listed.events)
            answer = commands.answer_to(events)
            await committer.commit(events, command=(number, json.dumps(answer)))
        finally:
            await committer.close()
            reader.close()
    return answer


def _may_begin(place: Where, site: Site, op: str, given: Command, by: str) -> None:
    """A journal that a refused command left behind would be read as one in which all is well.

    Raises JournalUnusable, or Refusal where even a new journal has no use for the command.
    """
    if op not in BEGINS_A_JOURNAL:
        Reader.open(place.journal).close()
    now = datetime.now(UTC)
    listed = decide(State(), site, SiteRead(), now)
    decide(listed.after, site, given, now, by=by)
