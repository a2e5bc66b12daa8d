"""Which alarm comes of what was found out about a relay, and when it goes again."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pytest

from poller.alarms.requests import AckAlarm
from poller.model import events as ev
from poller.model.alarms import Cause, Own
from poller.model.events import Body, ChangeClass
from poller.model.status import Behaviour, Health
from poller.model.work import Disposition, FirmwareStatus, WorkState
from poller.site.shipped_alarms import TEXT
from tests.alarms.world import (
    FILE,
    PLATE,
    World,
    added,
    answers,
    at,
    behaves,
    fell,
    health,
    moved,
    opened,
    read,
    rose,
    silent,
    site,
)

Q: str = "q01-main1"


def status(after: FirmwareStatus, version: str = "5.1") -> ev.FirmwareStatusChanged:
    return ev.FirmwareStatusChanged(
        attribute="swRev", before=None, after=after, version=version, target="5.2", rule="larch"
    )


def disposed(number: int) -> ev.DispositionGiven:
    return ev.DispositionGiven(
        investigation=f"i{number}", disposition=Disposition.REPAIR, why="so it was"
    )


# What is found out, the entry whose alarm it is, after how many seconds it comes, and what ends it.
C = ChangeClass
UNREADABLE = ev.IdentityUnreadable(since=at(-1_800), reason="erased")
NO_MAP = ev.NoValidMap(identity=replace(PLATE, model="PK900"), before=None)
FITS = ev.MapChosen(map="any", before=None)
CASES: list[tuple[list[Body], str, int, list[Body]]] = [
    ([opened(1, C.UNPLANNED)], "unplanned_change", 0, [disposed(1)]),
    ([opened(1, C.DOWNGRADED)], "unplanned_change", 0, [disposed(1)]),
    ([opened(1, C.OPTIONS, "orderCode")], "unplanned_change", 0, [disposed(1)]),
    ([opened(1, C.REPLACED, "serNum")], "replaced", 0, [disposed(1)]),
    ([opened(1, C.SETTINGS, "paramRev")], "settings_changed", 0, [disposed(1)]),
    ([rose("firmware_changed", 0)], "flag.firmware_changed", 0, [fell("firmware_changed", 60)]),
    ([rose("hardware_changed", 0)], "flag.hardware_changed", 0, [fell("hardware_changed", 60)]),
    ([rose("settings_changed", 0)], "flag.settings_changed", 0, [fell("settings_changed", 60)]),
    ([rose("restart_pending", 0)], "flag.restart_pending", 0, [fell("restart_pending", 60)]),
    ([rose("support_ending", 0)], "flag.support_ending", 0, [fell("support_ending", 60)]),
    ([rose("support_ended", 0)], "flag.support_ended", 0, [fell("support_ended", 60)]),
    ([rose("storage_low", 0)], "flag.storage_low", 0, [fell("storage_low", 60)]),
    ([rose("relay_failure", 0)], "relay_failure_wired", 10, [fell("relay_failure", 60)]),
    ([health(Health.ALARM)], "relay_failure_wired", 10, [health(Health.WARNING)]),
    ([silent(0)], "silent", 300, [answers()]),
    ([behaves(Behaviour.TEST)], "not_in_service", 900, [behaves(Behaviour.ON)]),
    ([behaves(Behaviour.BLOCKED)], "not_in_service", 900, [behaves(Behaviour.ON)]),
    ([behaves(Behaviour.TEST_BLOCKED)], "not_in_service", 900, [behaves(Behaviour.ON)]),
    ([behaves(Behaviour.OFF)], "not_in_service", 900, [behaves(Behaviour.ON)]),
    ([UNREADABLE], "identity_unreadable", 0, [ev.IdentityReadable()]),
    ([NO_MAP], "no_valid_map", 0, [FITS]),
    (
        [ev.SerialDuplicated(serNum="S1", others=("q02-main1",))],
        "duplicate_serial",
        0,
        [ev.SerialDuplicated(serNum="S1", others=())],
    ),
    (
        [status(FirmwareStatus.APPROVED_OLDER)],
        "firmware.approved_older",
        0,
        [status(FirmwareStatus.CURRENT, "5.2")],
    ),
    (
        [status(FirmwareStatus.WITHDRAWN, "4.9")],
        "firmware.withdrawn",
        0,
        [status(FirmwareStatus.CURRENT, "5.2")],
    ),
    (
        [added(Q, -60, 60), moved(WorkState.CHECKING, WorkState.WRONG_VERSION)],
        "wrong_version",
        0,
        [moved(WorkState.WRONG_VERSION, WorkState.CLOSED)],
    ),
    (
        [added(Q, -60, 60), moved(WorkState.CHECKING, WorkState.NOT_DONE)],
        "not_done",
        0,
        [moved(WorkState.NOT_DONE, WorkState.CLOSED)],
    ),
]
IDS = [f"{case[0][-1].kind}-{case[1]}" for case in CASES]


@pytest.mark.parametrize(("found", "entry", "after_s", "over"), CASES, ids=IDS)
def test_it_comes_after_its_on_delay_and_is_the_only_one(
    found: list[Body], entry: str, after_s: int, over: list[Body]
) -> None:
    world = World()
    world.happens(0, *((Q, body) for body in found))
    came = {}
    for second in range(0, after_s + 60, 5):
        world.look(second)
        for name in world.letters:
            came.setdefault(name, second)
    assert came == {f"{Q}.{entry}": after_s}


@pytest.mark.parametrize(("found", "entry", "after_s", "over"), CASES, ids=IDS)
def test_it_goes_when_what_it_tells_of_is_over(
    found: list[Body], entry: str, after_s: int, over: list[Body]
) -> None:
    world = World()
    world.happens(0, *((Q, body) for body in found))
    world.look(0)
    world.look(after_s)
    world.happens(after_s + 60, *((Q, body) for body in over))
    world.run(after_s + 60, after_s + 180)
    assert set(world.letters.values()) <= {"D"}


def test_every_condition_of_a_relay_is_in_these_cases() -> None:
    of_others = {"gateway_silent", "many_silent", "output_away", "disk_low", "clock_wrong"}
    of_others |= {"journal_failing", "flag_left", "relay_failure"}  # each tested by itself
    told = {case[1].split(".")[0] for case in CASES} | {"firmware_status"} - {"firmware"}
    assert {cause.value for cause in Cause} - of_others <= told


@pytest.mark.parametrize("change", [C.TEXT_ONLY, C.PLANNED])
def test_a_change_that_needs_no_explaining_is_no_alarm(change: ChangeClass) -> None:
    world = World()
    world.happens(0, (Q, opened(1, change)))
    assert world.letters == {}


@pytest.mark.parametrize("after", [Health.OK, Health.WARNING])
def test_health_that_is_no_alarm_is_none(after: Health) -> None:
    world = World()
    world.happens(0, (Q, health(after)))
    world.run(0, 60)
    assert world.letters == {}


def test_a_failure_is_high_only_where_no_watchdog_contact_tells_it() -> None:
    unwired = TEXT.replace("watchdog_contacts: reach_scada", "watchdog_contacts: none")
    world = World(site(unwired))
    world.happens(0, (Q, rose("relay_failure", 0)))
    world.run(0, 15)
    assert world.letters == {f"{Q}.relay_failure": "B"}
    assert world.alarm(f"{Q}.relay_failure").priority == "high"


def test_a_second_change_while_the_first_is_looked_into_is_told_anew() -> None:
    world = World()
    world.happens(0, (Q, opened(1, C.UNPLANNED)))
    world.ask(10, AckAlarm(alarm=f"{Q}.unplanned_change", why="engineer called"))
    world.happens(20, (Q, opened(2, C.UNPLANNED)))
    assert world.annunciated == [f"{Q}.unplanned_change"] * 2
    assert "investigation i2" in world.alarm(f"{Q}.unplanned_change").says


def test_the_answer_to_the_second_change_tells_nothing_new_of_the_first() -> None:
    world = World()
    world.happens(0, (Q, opened(1, C.UNPLANNED)), (Q, opened(2, C.UNPLANNED)))
    world.ask(10, AckAlarm(alarm=f"{Q}.unplanned_change", why="engineer called"))
    world.happens(20, (Q, disposed(2)))
    assert world.letters == {f"{Q}.unplanned_change": "C"}
    world.happens(30, (Q, disposed(1)))
    assert world.letters == {}


def test_a_second_change_is_told_when_the_first_is_acknowledged_unless_it_was_answered() -> None:
    name = f"{Q}.unplanned_change"
    world = World()
    world.happens(0, (Q, opened(1, C.UNPLANNED)))
    world.happens(10, (Q, opened(2, C.UNPLANNED)))
    world.happens(20, (Q, opened(3, C.UNPLANNED)))
    world.happens(30, (Q, disposed(3)))
    world.ask(40, AckAlarm(alarm=name, why="engineer called"))
    assert world.annunciated == [name] * 2
    assert "investigation i2" in world.alarm(name).says
    world.ask(50, AckAlarm(alarm=name, why="engineer called"))
    assert world.letters == {name: "C"}


def test_an_unplanned_change_is_one_alarm_for_the_operator_and_for_security() -> None:
    world = World()
    world.happens(0, (Q, opened(1, C.UNPLANNED)))
    (alarm,) = world.state.alarms.values()
    assert alarm.audience == ("operator_alarm", "security_event")
    assert alarm.priority == "medium"


def test_every_flag_is_an_alarm_of_its_own() -> None:
    world = World()
    world.happens(0, (Q, rose("firmware_changed", 0)), (Q, rose("settings_changed", 0)))
    assert world.letters == {f"{Q}.flag.firmware_changed": "B", f"{Q}.flag.settings_changed": "B"}


def test_a_flag_that_no_entry_is_for_is_no_alarm() -> None:
    world = World()
    world.happens(0, (Q, rose("door_open", 0)))
    assert world.letters == {}


def test_what_a_device_says_of_itself_can_not_move_a_cursor() -> None:
    world = World()
    misfit = replace(PLATE, model="PK\x1b[2J")
    world.happens(0, (Q, ev.NoValidMap(identity=misfit, before=None)))
    assert "\x1b" not in world.alarm(f"{Q}.no_valid_map").says
    assert "\x1b" not in world.alarm(f"{Q}.no_valid_map").occurrence


def test_a_relay_that_is_no_longer_listed_has_no_alarm_any_more() -> None:
    world = World()
    world.happens(0, (Q, rose("firmware_changed", 0)))
    world.happens(10, (Q, ev.RelayDelisted()))
    assert world.letters == {f"{Q}.flag.firmware_changed": "D"}


def test_what_holds_at_the_first_reading_is_an_alarm_and_a_new_start_tells_nothing_again() -> None:
    world = World()
    world.happens(0, (Q, read(0)), (Q, rose("firmware_changed", 0)), (Q, silent(0)))
    world.run(0, 400)
    told = list(world.annunciated)
    assert told == [f"{Q}.flag.firmware_changed", f"{Q}.silent"]
    world.happens(500, ("", ev.ServiceStopped(reason="stopped")))
    world.happens(600, ("", ev.ServiceStarted(version="0.1.0")))
    world.run(600, 1_200)
    assert world.annunciated == told


# The poller's own. What is not known yet, as after a start, is not told, and changes nothing.


def own(holds: bool, cause: Cause = Cause.OUTPUT_AWAY, detail: str = "mqtt") -> tuple[Own, ...]:
    return (Own(cause=cause, detail=detail, holds=holds, since=at(0), says="no connection"),)


def test_an_output_that_is_away_is_a_notice_after_its_delay() -> None:
    world = World()
    world.own = own(True)
    world.run(0, 295)
    assert world.letters == {}
    world.look(300)
    assert world.letters == {"poller.output_away.mqtt": "B"}
    assert world.alarm("poller.output_away.mqtt").audience == ("engineering_notice",)


BROKER: Final = f"{FILE}broker: {{host: 127.0.0.1}}\n"
WITH_OUTPUT: Final = f"{BROKER}outputs: {{mqtt: {{}}}}\n"


def test_what_is_not_known_leaves_an_alarm_of_the_pollers_own_as_it_is() -> None:
    world = World(site(file=WITH_OUTPUT))
    world.own = own(True)
    world.run(0, 300)
    world.own = ()
    world.run(305, 900)
    assert world.letters == {"poller.output_away.mqtt": "B"}


def test_an_output_that_the_site_has_no_more_ends_its_notice() -> None:
    world = World(site(file=WITH_OUTPUT))
    world.own = own(True)
    world.run(0, 300)
    world.site, world.own = site(), ()
    world.happens(305, ("", ev.SiteLoaded(site="hollin", sha256="1" * 64, files={})))
    world.run(305, 400)
    assert world.letters == {}


def test_an_output_that_is_back_ends_its_own_notice_and_no_other() -> None:
    world = World(site(file=f"{BROKER}outputs: {{mqtt: {{}}, syslog: {{}}}}\n"))
    world.own = own(True) + own(True, detail="syslog")
    world.run(0, 300)
    world.own = own(False) + own(True, detail="syslog")
    world.run(305, 400)
    assert world.letters == {"poller.output_away.syslog": "B"}


@pytest.mark.parametrize("cause", [Cause.DISK_LOW, Cause.CLOCK_WRONG, Cause.JOURNAL_FAILING])
def test_the_pollers_other_facts_are_notices_too(cause: Cause) -> None:
    world = World()
    world.own = own(True, cause, "")
    world.run(0, 60)
    assert world.letters == {f"poller.{cause.value}": "B"}


def test_a_fact_that_is_none_of_the_pollers_own_is_not_taken_from_there() -> None:
    world = World()
    world.own = own(True, Cause.SILENT, "")
    world.run(0, 600)
    assert world.letters == {}
