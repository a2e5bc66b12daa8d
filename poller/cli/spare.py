"""bayroll spare: boxes on the shelf."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from poller.answers.spares import known, stock
from poller.answers.words import count, span
from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, SiteOption, WhoOption, WhyOption
from poller.model.canonical import plain
from poller.model.standing import shown as present
from poller.model.text import shown

spare = typer.Typer(no_args_is_help=True, help="Spare boxes: what lies on which shelf.")
FAMILIES_SHOWN: Final = 10
Serial = Annotated[str, typer.Argument(metavar="SERIAL", help="Its serial number.")]
VendorOption = Annotated[
    str | None,
    typer.Option("--vendor", help="Its maker; not needed where the serial number is known."),
]


@spare.command("list")
def list_(
    text: Annotated[
        str | None, typer.Argument(help="Only boxes of which this text is told.")
    ] = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Every box on a shelf: serial number, order code, firmware, and when it was tested."""
    with common.told(), common.journal(common.where(site)) as journal:
        state = journal.state()
    found = stock(state, datetime.now(UTC), text)
    if as_json:
        for row in found:
            common.print_json(plain(row))
        return
    names = ("shelf", "maker", "model", "serial", "order code", "firmware", "tested", "there for")
    drawn = common.table(names)
    for row in found:
        told = (row.vendor, row.model, row.serNum, row.orderCode, row.swRev, row.tested_on)
        drawn.add_row(row.shelf, *(part or "-" for part in told), span(row.age_s))
    common.out.print(drawn)
    common.out.print(count(len(found), "box", "boxes"))


@spare.command()
def shelve(
    serial: Serial,
    shelf: Annotated[str, typer.Option("--shelf", help="Where it lies.")],
    vendor: VendorOption = None,
    model: Annotated[str | None, typer.Option("--model")] = None,
    order_code: Annotated[str | None, typer.Option("--order-code")] = None,
    firmware: Annotated[
        str | None, typer.Option("--firmware", metavar="VERSION", help="The version in it.")
    ] = None,
    tested_on: Annotated[
        str | None, typer.Option("--tested-on", metavar="DAY", help="2026-03-01; else: not tested.")
    ] = None,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a box on a shelf, or say what is new of one there."""
    more = {
        "shelf": shelf,
        "model": model,
        "orderCode": order_code,
        "swRev": firmware,
        "tested_on": tested_on,
    }
    _asked("spare_shelve", serial, vendor, who, more, site, as_json, f"on shelf {shelf}")
    if model is not None and not as_json:
        with common.told():
            _known_family(common.where(site), serial, model)


def _known_family(place: common.Where, serial: str, model: str) -> None:
    """Advisories and rules go by maker and model as relays tell them, letter by letter."""
    with common.journal(place) as journal:
        state = journal.state()
    plates = [plate for relay in state.relays.values() if (plate := present(relay)) is not None]
    told = {(plate.vendor or "", plate.model or "") for plate in plates}
    for box in known(state, serial):
        if box.model == model and (box.vendor, model) not in told:
            there = "; ".join(sorted(shown(" ".join(pair)) for pair in told)[:FAMILIES_SHOWN])
            common.out.print(
                "  no relay tells that maker and model, so that advisories may pass it over\n"
                f"    mend: write them as the relays do: {there or 'none was read yet'}"
            )


@spare.command()
def remove(
    serial: Serial,
    vendor: VendorOption = None,
    why: WhyOption = "",
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """A box left the shelf for good. One that is fitted is seen at its position by itself."""
    _asked("spare_remove", serial, vendor, who, {"why": why}, site, as_json, "left the shelf")


def _asked(
    op: str,
    serial: str,
    vendor: str | None,
    who: str,
    more: dict[str, Any],
    site: Path | None,
    as_json: bool,
    says: str,
) -> None:
    with common.told():
        place = common.where(site)
        maker = _maker(place, serial) if vendor is None else vendor
        answer = ask(place, op, {"who": who, "vendor": maker, "serNum": serial, **more})
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(f"{shown(maker)} {shown(serial)}: {shown(says)}")


def _maker(place: common.Where, serial: str) -> str:
    """Of the one box with that serial number."""
    with common.journal(place) as journal:
        makers = [asset.vendor for asset in known(journal.state(), serial)]
    if len(makers) != 1:
        found = (
            f"boxes of {' and '.join(map(shown, makers))} have it"
            if makers
            else "it was never seen"
        )
        common.fail(Exit.BAD_INPUT, f"{serial}: {found}\n    mend: name its maker with --vendor")
    return makers[0]
