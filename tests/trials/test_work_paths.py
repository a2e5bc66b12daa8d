"""Each way that work can go, walked by the whole service on virtual time."""

from __future__ import annotations

import pytest

from poller.model import events as ev
from poller.site.settings import (
    Intervals,
    JournalPlace,
    RelayEntry,
    Site,
    SiteFile,
    WorkSettings,
)
from simulator.scenario import FirmwareUpdate, Scenario, Scene
from simulator.stage import Stage
from tests.trials.drawing import Drawn
from tests.trials.families import known
from tests.trials.hands import Errand
from tests.trials.trial import Ran, run

RELAYS = ("takes", "wrong", "flagged", "still", "untested", "unplanned")
TARGET, OTHER, BEFORE = "1.10", "1.3", "1.2"
SOAK_S = 120
AT, BACK = 1_000.0, 1_040.0


def update(relay: str, to: str, flag_for_s: float | None = None) -> Scene:
    return FirmwareUpdate(
        do="firmware_update",
        at=AT,
        relay=relay,
        to={"swRev": to},
        away_s=20,
        boot_s=10,
        flag=None if flag_for_s is None else "firmware_changed",
        flag_cleared_after_s=flag_for_s,
    )


def errand(relay: str, tested_at: float = BACK + 60) -> Errand:
    return Errand(
        relay=relay,
        to=TARGET,
        planned_at=800,
        started_at=AT - 10,
        ended_at=BACK,
        tested_at=tested_at,
        closed_at=3_000,
    )


STORY: tuple[Scene, ...] = (
    update("takes", TARGET),
    update("wrong", OTHER),
    update("flagged", TARGET, flag_for_s=600),
    update("still", BEFORE),
    update("untested", TARGET),
    update("unplanned", TARGET),
)


@pytest.fixture(scope="module")
def ran() -> Ran:
    maps, boxes = known()
    entries = tuple(
        RelayEntry(id=name, bay=name, function="main 1", host=f"127.1.9.{number}", maps=("heron",))
        for number, name in enumerate(RELAYS, 1)
    )
    file = SiteFile(
        format=1,
        site="walk",
        name="Walk",
        intervals=Intervals(
            status_s=10, nameplate_s=300, confirm_s=20, confirm_after_restart_s=60, rest_ms=20
        ),
        journal=JournalPlace(),
        work=WorkSettings(soak_s=SOAK_S, bays_at_once=100),
        relays=entries,
    )
    scenario = Scenario(
        format=1,
        scenario="walk",
        site="site.yaml",
        boxes=tuple(box for box in boxes if box.map == "heron"),
        story=STORY,
    )
    drawn = Drawn(
        seed=1,
        site=Site(file=file, maps=dict(maps), texts={"site.yaml": ""}, sha256="0" * 64),
        stage=Stage(scenario=scenario, entries=entries, maps=maps),
        ends=3_200,
        windows=(),
        errands=(
            errand("takes"),
            errand("wrong"),
            errand("flagged"),
            errand("still"),
            errand("untested", tested_at=2_500),
        ),
        kills=(),
        failing=(),
        broker_away=(),
        steps=(),
        drift=1.0,
    )
    return run(drawn)


MOVES = """
takes    | planned under_way waiting_for_relay checking verified closed
wrong    | planned under_way waiting_for_relay wrong_version closed
flagged  | planned under_way waiting_for_relay checking verified closed
still    | planned under_way waiting_for_relay checking not_done closed
untested | planned under_way waiting_for_relay checking verified closed
"""


def moves(ran: Ran, relay: str) -> list[tuple[float, ev.WorkMoved]]:
    return [
        (ran.durable_at[one.seq], one.event.body)
        for one in ran.events
        if one.event.subject == relay and isinstance(one.event.body, ev.WorkMoved)
    ]


@pytest.mark.parametrize("line", MOVES.strip().splitlines())
def test_the_way_that_work_goes(line: str, ran: Ran) -> None:
    relay, wanted = (part.strip() for part in line.split("|"))
    walked = ["planned", *(move.after.value for _, move in moves(ran, relay))]
    assert walked == wanted.split()


def when(ran: Ran, relay: str, state: str) -> float:
    (at,) = [at for at, move in moves(ran, relay) if move.after.value == state]
    return at


def test_a_warning_that_is_left_holds_up_the_proof_until_it_is_cleared(ran: Ran) -> None:
    cleared = BACK - 10 + 600
    assert when(ran, "flagged", "verified") > cleared + SOAK_S
    assert when(ran, "takes", "verified") < cleared


def test_work_without_a_test_waits_for_it(ran: Ran) -> None:
    assert when(ran, "untested", "verified") > 2_500
    proven = [
        one
        for one in ran.events
        if one.event.subject == "untested"
        and isinstance(one.event.body, ev.VerificationChecked)
        and one.event.body.proven
    ]
    assert ran.durable_at[proven[0].seq] < 2_500


CLASSES = """
takes     | planned
wrong     | wrong_version
flagged   | planned
untested  | planned
unplanned | unplanned
"""


@pytest.mark.parametrize("line", CLASSES.strip().splitlines())
def test_the_class_of_the_change(line: str, ran: Ran) -> None:
    relay, wanted = (part.strip() for part in line.split("|"))
    told = [
        one.event.body.change.value
        for one in ran.events
        if one.event.subject == relay and isinstance(one.event.body, ev.NameplateChanged)
    ]
    assert told == [wanted]


def test_only_what_nobody_planned_is_investigated(ran: Ran) -> None:
    opened = [
        one.event.subject for one in ran.events if one.event.body.kind == "investigation_opened"
    ]
    assert opened == ["unplanned"]
