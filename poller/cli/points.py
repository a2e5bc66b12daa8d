"""bayroll points: the point list of Modbus and IEC 60870-5-104, to engineer a front end by."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final

import typer
from pydantic import ValidationError
from rich.table import Table

from poller.alarms.points import ALARMS_A_BLOCK, NEED_POINTS, VALUES_A_BLOCK
from poller.answers.points import INPUT, REGISTER, Kind, PointRow, Standing, rows, to_csv
from poller.answers.words import count
from poller.cli import common
from poller.cli.common import JsonOption, SiteOption
from poller.cli.new_file import put
from poller.model.canonical import plain
from poller.model.problems import Faulty
from poller.model.standing import State
from poller.publishing.iec104.settings import Iec104Settings
from poller.publishing.opening import faults_of
from poller.site.settings import Site

ORDER: Final = tuple(Kind)


def points(
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Every point, for a spreadsheet or a front end.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="With --csv: a new file; without it, print."),
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """What stands at which address: alarms as discrete inputs, values as input registers of Modbus.

    With iec104 in the site file also the information object addresses of alarms. Modbus addresses
    count from 0, as on the wire. Once an output has needed them they stay for ever; until
    then they are a plan. Without --csv or --json: what a block holds, and where each begins.
    """
    with common.told():
        place = common.where(site)
        of = common.site_of(place)
        state = _state(place)
        first_104 = _first_104(of, place)
        found = rows(state, of, first_104)
        if as_csv:
            put(to_csv(found), out)
        elif as_json:
            for row in found:
                common.print_json(plain(row))
        else:
            _print(found, first_104)
    _say_what_is_odd(found, of)


def _state(place: common.Where) -> State:
    """Before the first start there is no journal, and everything is a plan."""
    if not place.journal.exists():
        return State()
    with common.journal(place) as journal:
        return journal.state()


def _first_104(site: Site, place: common.Where) -> int | None:
    """The address of the alarm with number 0; None: the site tells no alarms over IEC 104."""
    given = site.file.outputs.get("iec104")
    if given is None:
        return None
    try:
        return Iec104Settings.model_validate(dict(given)).first_address
    except ValidationError as reason:
        raise Faulty(faults_of(reason, str(place.site_file), "outputs.iec104")) from reason


def _print(found: Sequence[PointRow], first_104: int | None) -> None:
    """Places once, as they are the same in every block of a kind; then where the blocks begin."""
    same = {(row.table, row.kind, row.point): row for row in reversed(found)}
    inputs = common.table(("place", "of", "alarm", "1 means", "priority"))
    registers = common.table(("place", "of", "value", "means"))
    for row in sorted(same.values(), key=lambda one: (ORDER.index(one.kind), one.place)):
        if row.table == INPUT:
            inputs.add_row(str(row.place), row.kind, row.point, row.means, str(row.priority))
        else:
            registers.add_row(str(row.place), row.kind, row.point, row.means)
    common.out.print(
        "An address, from 0 as on the wire, is where a block begins and the place in it."
    )
    common.out.print("\nDiscrete inputs, function code 02:")
    common.out.print(inputs, soft_wrap=False)
    common.out.print("\nInput registers, function code 04:")
    common.out.print(registers, soft_wrap=False)
    if first_104 is not None:
        common.out.print(
            "\nOver IEC 60870-5-104 each alarm is a single point. Its information object "
            f"address is {first_104} and the address of its discrete input."
        )
    common.out.print("\nBlocks begin at:")
    common.out.print(_blocks(found, first_104), soft_wrap=False)


def _blocks(found: Sequence[PointRow], first_104: int | None) -> Table:
    of_104 = () if first_104 is None else ("IEC 104",)
    drawn = common.table(("input", *of_104, "register", "of", "relay", ""))
    valued = {row.block for row in found if row.table == REGISTER}
    for block, row in sorted({row.block: row for row in reversed(found)}.items()):
        register = str(block * VALUES_A_BLOCK) if block in valued else "-"
        position = f"{row.bay} {row.function}".strip()
        said = "" if row.standing is Standing.IN_USE else row.standing.replace("_", " ")
        first = block * ALARMS_A_BLOCK
        at_104 = () if first_104 is None else (str(first_104 + first),)
        drawn.add_row(str(first), *at_104, register, row.owner, position, said)
    return drawn


def _say_what_is_odd(found: Sequence[PointRow], site: Site) -> None:
    """On the error stream, since the list may go into a file."""
    if not NEED_POINTS & site.file.outputs.keys():
        common.err.print(
            "These are a plan: no output of this site needs points, so none is assigned yet.\n"
            "    mend: name alarm_points or iec104 under outputs: in the site file"
        )
    elif any(row.standing is Standing.PLANNED for row in found):
        common.err.print(
            "Some are a plan: they are assigned when the service starts or reads its files again."
        )
    lost = {row.owner for row in found if row.standing is Standing.NO_ADDRESS}
    if lost:
        common.err.print(
            f"{count(len(lost), 'relay or gateway has', 'relays or gateways have')} points past "
            "the last address of Modbus; they are not served"
        )
