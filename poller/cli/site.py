"""bayroll site: the relay list drafted from an SCL file, and to and from a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Annotated, BinaryIO, Final

import typer

from poller.cli import common
from poller.cli.new_file import fault, put
from poller.cli.run import SiteArgument
from poller.model import limits
from poller.site.drafting import head, slug
from poller.site.load import mend_unreadable, parse
from poller.site.relay_csv import DELIMITERS, read_csv, relays_yaml, write_csv
from poller.site.scl import draft_site
from poller.site.settings import SiteFile

site = typer.Typer(no_args_is_help=True, help="The relay list: from SCL files and spreadsheets.")
PIECE: Final = 64 * 1024  # octets read at once of a file that may be long
OutOption = Annotated[
    Path | None, typer.Option("--out", metavar="FILE", help="A new file; without it, print.")
]


class Delimiter(StrEnum):
    COMMA = "comma"
    SEMICOLON = "semicolon"
    TAB = "tab"


@site.command("from-scl")
def from_scl(
    scl_file: Annotated[
        Path, typer.Argument(metavar="FILE", help="An IEC 61850-6 file: SCD, CID, ICD or IID.")
    ],
    out: OutOption = None,
) -> None:
    """Draft a site file from FILE, for you to finish.

    An address in an SCL file does not prove that Modbus is there, nor that the IED is a relay. No
    register map is chosen: the draft loads only once you named them. What else needs a look is told
    on the error stream.
    """
    with common.told():
        try:
            with scl_file.open("rb") as opened:
                draft = draft_site(_pieces(opened), str(scl_file))
        except OSError as reason:
            mend = "name an SCL file that can be read"
            raise fault("scl-unreadable", scl_file, reason, mend) from reason
        for note in draft.notes[: limits.PROBLEMS_MAX]:
            common.err.print(str(note))
        left = len(draft.notes) - limits.PROBLEMS_MAX
        if left > 0:
            common.err.print(f"and {left} more")
        put(draft.text.encode(), out)
        common.err.print(
            f"{draft.drafted} drafted to be polled. That an address is in an SCL file does not "
            "prove that Modbus is there: look at each, and name its maps."
        )


@site.command("from-csv")
def from_csv(
    csv_file: Annotated[Path, typer.Argument(metavar="FILE", help="A relay list as CSV.")],
    whole: Annotated[
        bool, typer.Option("--whole", help="A whole site file, not its relays: section alone.")
    ] = False,
    out: OutOption = None,
) -> None:
    """Write the relay list in FILE as the relays: section of a site file.

    Comma, semicolon or tab; headings in any order and spelling; see to-csv for which there are.
    """
    with common.told():
        try:
            with csv_file.open("rb") as opened:
                data = opened.read(limits.FILE_BYTES_MAX + 1)
        except OSError as reason:
            mend = "name a CSV file that can be read"
            raise fault("csv-unreadable", csv_file, reason, mend) from reason
        text = relays_yaml(read_csv(data, str(csv_file)))
        if whole:
            name = csv_file.stem
            text = "\n".join([*head(slug(name, "site"), name), text])
        put(text.encode(), out)


@site.command("to-csv")
def to_csv(
    site_file: SiteArgument,
    delimiter: Annotated[Delimiter, typer.Option(help="What your spreadsheet takes.")] = (
        Delimiter.COMMA
    ),
    out: OutOption = None,
) -> None:
    """Write the relay list of SITE for a spreadsheet; its maps need not be there.

    A text that a spreadsheet would take for a formula gets an apostrophe, which from-csv takes off.
    """
    with common.told():
        try:
            text = common.read_text(str(site_file))
        except (OSError, UnicodeDecodeError) as reason:
            mend = mend_unreadable(reason, "name a site file that can be read")
            raise fault("site-file-unreadable", site_file, reason, mend) from reason
        relays = parse(SiteFile, text, str(site_file)).relays
        put(write_csv(relays, DELIMITERS[delimiter]), out)


def _pieces(opened: BinaryIO) -> Iterator[bytes]:
    while piece := opened.read(PIECE):
        yield piece
