"""A command of a person: to the running service, or, where none runs, by the same handler here."""

from __future__ import annotations

import asyncio
import json
import os
import uuid
from datetime import UTC, datetime
from typing import Any

from poller.cli import common
from poller.cli.common import Where
from poller.decide import Refusal, SiteRead, decide
from poller.edges import commands, control
from poller.journal.committer import ThreadCommitter
from poller.journal.store import Reader, Writer


def ask(place: Where, op: str, args: dict[str, Any]) -> dict[str, Any]:
    """The answer, once it is durable. args: who, and what the command needs.

    Raises Refusal with the reason, JournalUnusable or Locked where the journal can't be had.
    """
    number = str(uuid.uuid4())
    try:
        answer: dict[str, Any] = control.request(place.socket, number, op, args)
    except control.Unreachable:
        answer = asyncio.run(_here(place, number, op, args))
    return answer


async def _here(place: Where, number: str, op: str, args: dict[str, Any]) -> dict[str, Any]:
    if place.site_file is None:
        raise Refusal("the service went away; name the site file with --site FILE")
    site = common.load(place.site_file)
    args = dict(args)
    by = commands.person(args.pop("who", None), os.getuid())
    given = commands.command(op, args)
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
