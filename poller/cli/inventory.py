"""bayroll inventory: every box and its firmware, as a file for other programs."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer

from poller.answers.cyclonedx import Spec
from poller.answers.inventory import inventory as told_of
from poller.answers.inventory_files import Format, written
from poller.cli import common
from poller.cli.common import SiteOption
from poller.cli.new_file import put
from poller.journal.as_of import as_of


def inventory(
    format_: Annotated[
        Format, typer.Option("--format", help="json: its schema is file/inventory.")
    ] = Format.CYCLONEDX,
    spec: Annotated[Spec, typer.Option("--spec", help="The version of CycloneDX.")] = Spec.V1_6,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="A new file; without it, print.")
    ] = None,
    site: SiteOption = None,
) -> None:
    """Every relay and every spare with all of its firmware, as a file.

    The same journal gives the same file, byte for byte.
    """
    with common.told():
        with common.journal(common.where(site)) as journal:
            state = journal.state()
            told = told_of(state, as_of(journal, state))
        put(written(told, format_, spec, version("bayroll")), out)
