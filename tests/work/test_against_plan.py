"""What a relay tells against its plan, attribute by attribute and together."""

from __future__ import annotations

import itertools

import pytest

from poller.model.nameplate import from_flat
from poller.model.work import Plan, WorkKind
from poller.work.against_plan import TOGETHER, Seen, deciding, seen
from tests.work.world import T0, site

CASES = """
update      | swRev=V2.10                | swRev=V2.11               | swRev=V2.11         | as_planned
update      | swRev=V2.10                | swRev=V2.11               | swRev=2.11          | as_planned  # another spelling
update      | swRev=V2.10                | swRev=V2.11               | swRev=V2.10         | as_before
update      | swRev=V2.10                | swRev=V2.11               | swRev=V02.10        | as_before
update      | swRev=V2.10                | swRev=V2.11               | swRev=V2.12         | other
update      | swRev=V2.10                | swRev=V2.11               | swRev=???           | other
update      | swRev=V2.10                | swRev=V2.11               |                     | unread
update      |                            | swRev=V2.11               | swRev=V2.10         | other       # nobody knew
update      | swRev=V2.10 paramRev=7     | swRev=V2.11 paramRev=8    | swRev=V2.11 paramRev=7 | as_planned  # settings are for the checks
update      | swRev=V2.10 serNum=1       | swRev=V2.11               | swRev=V2.11 serNum=2   | as_planned
update      | swRev=V2.10 components.boot.swRev=1 | swRev=V2.11 components.boot.swRev=2 | swRev=V2.11 components.boot.swRev=1 | partly
update      | swRev=V2.10 components.boot.swRev=1 | swRev=V2.11 components.boot.swRev=2 | swRev=V2.11 | unread
update      | swRev=V2.10 components.boot.swRev=1 | swRev=V2.11 components.boot.swRev=2 | swRev=V2.10 | as_before
update      | swRev=V2.10 components.boot.swRev=1 | swRev=V2.11 components.boot.swRev=2 | swRev=V2.11 components.boot.swRev=3 | other
replacement | serNum=1 swRev=V2.11       | serNum=2 swRev=V2.11      | serNum=2 swRev=V2.11 | as_planned
replacement | serNum=1 swRev=V2.11       | serNum=2 swRev=V2.11      | serNum=1 swRev=V2.11 | as_before  # the old box runs that too
replacement | serNum=1 swRev=V2.10       | serNum=2 swRev=V2.11      | serNum=2 swRev=V2.10 | partly     # a box with the old firmware
replacement | serNum=1 swRev=V2.11       | serNum=2 swRev=V2.11      | serNum=3 swRev=V2.11 | other
replacement | serNum=1                   | serNum=2                  | serNum=02            | other      # numbers of boxes are texts
settings    | paramRev=7                 | paramRev=8                | paramRev=8           | as_planned
settings    | paramRev=7 settingsId=1    | paramRev=8 settingsId=1   | paramRev=7 settingsId=1 | as_before
settings    | paramRev=7 swRev=V2.10     | paramRev=8                | paramRev=8 swRev=V2.12 | as_planned
"""  # noqa: E501


def attributes(text: str) -> dict[str, str]:
    return dict(part.split("=") for part in text.split())


@pytest.mark.parametrize("row", [line.split("  #")[0] for line in CASES.strip().splitlines()])
def test_how_it_stands(row: str) -> None:
    kind, before, expects, now, outcome = (part.strip() for part in row.split("|"))
    maker = {"vendor": "Tarn"}  # whose rule says how versions are spelled
    plan = Plan(
        relay="q07-main1",
        kind=WorkKind(kind),
        expects=attributes(expects),
        before=maker | attributes(before),
        start=T0,
        end=T0,
        zone="UTC",
    )
    assert seen(plan, from_flat({**maker, **attributes(now)}), site()) == outcome


def test_of_a_relay_that_told_nothing_nothing_is_said() -> None:
    plan = Plan(
        relay="q07-main1",
        kind=WorkKind.UPDATE,
        expects={"swRev": "V2.11"},
        before={},
        start=T0,
        end=T0,
        zone="UTC",
    )
    assert seen(plan, None, site()) == Seen.UNREAD


@pytest.mark.parametrize("kind", WorkKind)
def test_every_kind_knows_what_decides(kind: WorkKind) -> None:
    everything = {"serNum": "1", "swRev": "1", "components.boot.swRev": "1", "paramRev": "1"}
    plan = Plan(relay="r", kind=kind, expects=everything, before={}, start=T0, end=T0, zone="UTC")
    firmware = ("components.boot.swRev", "swRev")
    assert (
        deciding(plan)
        == {
            WorkKind.UPDATE: firmware,
            WorkKind.ROLLBACK: firmware,
            WorkKind.REPLACEMENT: tuple(sorted((*firmware, "serNum"))),
            WorkKind.SETTINGS: ("paramRev",),
        }[kind]
    )


def test_the_table_has_every_set_of_what_attributes_can_be() -> None:
    each = (Seen.AS_PLANNED, Seen.AS_BEFORE, Seen.UNREAD)
    sets = {frozenset(s) for n in range(4) for s in itertools.combinations(each, n)}
    assert TOGETHER.keys() == sets
