"""bayroll schema: JSON Schema of every message, event and file, and an AsyncAPI 3.0 document."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from poller.cli import common
from poller.cli.common import Exit
from poller.publishing.schema import asyncapi, schemas


def schema(
    name: Annotated[
        str | None, typer.Argument(help="One of them; without it, their names.")
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="All in one JSON object.")] = False,
) -> None:
    """Print a JSON Schema, or asyncapi for the document of all messages."""
    found = schemas() | {"asyncapi": asyncapi()}
    if everything:
        common.out.print(json.dumps(found, indent=1, sort_keys=True))
    elif name is None:
        for known in sorted(found):
            common.out.print(known)
    elif name in found:
        common.out.print(json.dumps(found[name], indent=1, sort_keys=True))
    else:
        common.fail(Exit.BAD_INPUT, f"{name}: no such schema\n    mend: see: bayroll schema")
