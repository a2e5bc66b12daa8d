"""Watching one relay, visit by visit, with a simulated relay at the other end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from random import Random
from typing import Any, TypeVar

import pytest

from poller.judging.confirm import Claim, Known
from poller.judging.findings import (
    Answering,
    Believed,
    Edges,
    Finding,
    NoMapFits,
    Noted,
    Readable,
    Reread,
    Restarted,
    Seen,
    Silent,
    Unreadable,
)
from poller.judging.watch import LATER_S, Heard, Memory
from poller.model.nameplate import Nameplate
from poller.model.status import Behaviour, Health, Quality
from poller.reading.decode import Image, StatusRead, decode_status
from poller.reading.exchange import Garbled, Outcome, Refused
from poller.reading.frames import Request
from poller.reading.read_plan import CompiledMap
from poller.site.builtin import ANY
from poller.site.register_map import RegisterMap
from simulator.image import Condition
from simulator.relay import Relay
from tests.judging.visits import (
    LARCH,
    PACE,
    PIKE,
    REPLY_S,
    SILENT,
    START,
    Visits,
    change,
    larch,
    pike,
    plate,
    raise_flags,
    shipped,
    utc,
    visits,
)
from tests.simulator.layouts import LIVE, layout

F = TypeVar("F")
IDENTITY_AT = 0  # holding registers of larch
STATUS_AT = 200


def of(kind: type[F], found: list[Finding] | tuple[Finding, ...]) -> list[F]:
    return [one for one in found if isinstance(one, kind)]


def always(outcome: Outcome) -> Callable[[Request], Outcome]:
    return lambda _: outcome


def healthy(_: Request) -> None:
    return None


# The nameplate.


def test_the_first_nameplate_is_believed_when_a_pass_a_minute_later_agrees() -> None:
    bench = visits(larch())
    assert of(Believed, bench.visit()) == []
    found = of(Believed, bench.until(PACE.confirm_s + 5))
    assert [one.nameplate for one in found] == [plate(LARCH)]
    assert found[0].last_old_at is None
    # identity and nameplate, one request each, since 99 registers lie within the largest read
    assert found[0].first_new_at == utc(0.2)
    assert found[0].map == "larch"


def test_the_identity_is_asked_first() -> None:
    bench = visits(pike(), shipped("pike"), shipped("pike-3"))
    bench.visit()
    first = bench.asked[0][1]
    assert (first.table, first.address) == ("input", 0)


def test_who_was_never_met_is_first_asked_only_who_it_is() -> None:
    bench = visits(larch())
    bench.visit()
    first = [request.address for _, request in bench.asked]
    assert first[0] == IDENTITY_AT
    assert STATUS_AT not in first
    bench.visit()
    assert STATUS_AT in [request.address for _, request in bench.asked[len(first) :]]


def test_who_tells_another_name_at_each_visit_is_asked_for_its_status_all_the_same() -> None:
    bench = visits(larch())
    for number in range(3):
        change(bench.relay, swRev=f"5.{number}")
        bench.visit()
    assert bench.reading() is not None


def test_a_change_is_told_once_with_the_readings_around_it() -> None:
    bench = visits(larch()).settle()
    bench.until(3_800)  # an hourly pass
    passes = [at for at, request in bench.asked if request.address == IDENTITY_AT]
    change(bench.relay, swRev="5.2")
    found = of(Believed, bench.until(20_000))
    assert [one.nameplate for one in found] == [plate(LARCH, swRev="5.2")]
    later = [at for at, request in bench.asked if request.address == IDENTITY_AT]
    first_new = later[len(passes)]
    assert found[0].last_old_at == utc(passes[-1] + 0.2)
    assert found[0].first_new_at == utc(first_new + 0.2)
    assert first_new - passes[-1] == pytest.approx(PACE.nameplate_s, abs=61)


def test_a_change_is_believed_no_sooner_than_the_confirmation_time() -> None:
    bench = visits(larch()).settle()
    change(bench.relay, swRev="5.2")
    bench.until(10_000)
    (when,) = [at for at, one in bench.told if isinstance(one, Believed)]
    passes = [at for at, request in bench.asked if request.address == IDENTITY_AT]
    assert when in passes
    assert when - passes[passes.index(when) - 1] == pytest.approx(PACE.confirm_s, abs=1)


def test_a_version_that_goes_again_before_it_is_confirmed_is_no_change() -> None:
    bench = visits(larch()).settle()
    bench.watch.next_nameplate = bench.now_s
    change(bench.relay, swRev="5.2")
    bench.visit()
    change(bench.relay, swRev=LARCH["swRev"])
    assert of(Believed, bench.until(20_000)) == []


def test_a_version_seen_before_memory_was_erased_is_confirmed_anew_after_it() -> None:
    bench = visits(larch()).settle()
    bench.watch.next_nameplate = bench.now_s
    change(bench.relay, swRev="5.2")
    bench.visit()
    change(bench.relay, swRev=None)  # type: ignore[arg-type]
    bench.until(bench.now_s + 1_000)
    change(bench.relay, swRev="5.2")
    back = bench.now_s
    bench.until(back + 10_000)
    (when,) = [at for at, one in bench.told if isinstance(one, Believed) and at > back]
    assert when - back >= PACE.confirm_s


def test_what_a_boot_program_shows_is_no_change() -> None:
    bench = visits(larch()).settle()
    for seed in range(20):
        bench.relay.restart(nonsense=Random(seed))
        bench.until(bench.now_s + 200)
    bench.relay.restart(nonsense=None)
    found = bench.until(bench.now_s + 10_000)
    assert of(Believed, [one for _, one in bench.told]) == []
    assert of(Readable, found) != []


def test_erased_text_is_not_read_and_not_a_change() -> None:
    bench = visits(larch()).settle()
    change(bench.relay, location=None)  # type: ignore[arg-type]
    assert bench.until(3_900) == []


def test_the_hour_is_kept_and_the_minute_too() -> None:
    bench = visits(larch()).settle()
    bench.until(200 + 2 * 3_600)
    statuses = [at for at, request in bench.asked if request.address == STATUS_AT]
    assert len(statuses) == 120 + 2  # an hourly pass is a visit of its own, status included
    assert all(at % 60 < 1 for at in statuses)  # the phase of the first
    passes = [at for at, request in bench.asked if request.address == IDENTITY_AT]
    assert len(passes) == 2


def test_a_relay_is_seen_once_a_day_with_its_reads() -> None:
    bench = visits(larch())
    bench.until(3 * 86_400)
    seen = of(Seen, [one for _, one in bench.told])
    assert [one.day for one in seen] == ["2026-03-01", "2026-03-02", "2026-03-03", "2026-03-04"]
    assert seen[0].reads == 1
    # the second day begins 16 hours after the start, where two more passes confirmed the first, and
    # the flags with it
    assert [one.reads for one in seen[1:]] == [18, 24, 24]


def test_a_poller_started_again_takes_up_what_events_have_told() -> None:
    believed = Claim(nameplate=plate(LARCH), map="larch")
    known = Known(health=Health.OK, behaviour=Behaviour.ON, setting_group=1)
    memory = Memory(believed=believed, known=known, answering=True, seen_day="2026-03-01")
    bench = visits(larch(), memory=memory)
    assert bench.until(7_200) == [Reread(at=utc(0.2))]


def test_a_relay_that_somebody_worked_on_is_looked_at_at_once() -> None:
    bench = visits(larch()).settle()
    began = bench.now_s
    bench.watch.look_again(began)
    assert bench.visit() == (Reread(at=utc(began + 2 * REPLY_S)),)


def test_what_was_done_to_it_is_confirmed_before_it_counts_as_read() -> None:
    bench = visits(larch()).settle()
    change(bench.relay, swRev="5.2")
    ended = bench.now_s
    bench.watch.look_again(ended)
    found = bench.until(ended + PACE.confirm_after_restart_s + 70)
    assert [type(one) for one in found] == [Believed, Reread]
    (reread,) = of(Reread, found)
    assert reread.at >= utc(ended + PACE.confirm_after_restart_s)


def test_an_identity_that_fits_no_map_does_not_count_as_read() -> None:
    bench = visits(larch()).settle()
    change(bench.relay, vendor="Nobody")
    bench.watch.look_again(bench.now_s)
    assert of(Reread, bench.until(bench.now_s + 3_600)) == []


def test_a_change_made_while_the_poller_was_off_is_found() -> None:
    memory = Memory(believed=Claim(nameplate=plate(LARCH, swRev="5.1"), map="larch"))
    bench = visits(larch(), memory=memory)
    (found,) = of(Believed, bench.until(200))
    assert found.nameplate.swRev == LARCH["swRev"]


# Maps.


def new_firmware(relay: Relay) -> None:
    """Registers move with it."""
    relay.present(layout=shipped("pike-3"), nameplate=plate(PIKE, swRev="3.00.001"))


def test_firmware_that_moves_registers_changes_the_map_and_no_flag() -> None:
    bench = visits(pike(), shipped("pike"), shipped("pike-3")).settle()
    new_firmware(bench.relay)
    found = bench.until(10_000)
    (believed,) = of(Believed, found)
    assert (believed.map, believed.nameplate.swRev) == ("pike-3", "3.00.001")
    assert found == [believed]


def moved(name: str, low: str, status: dict[str, Any], **fits: str) -> RegisterMap:
    """One of two maps of a family whose registers 50 and 51 change their meaning."""
    return layout(
        map=name,
        fits={"versions": fits},
        status=status,
        flags={"storage_low": LIVE | {"active": low}},
    )


def at(address: int, kind: str, **keys: Any) -> dict[str, Any]:
    return {"table": "holding", "address": address, "type": kind, **keys}


FLAG = {"flag": "storage_low", "bit": 0}
OLD = moved("old", "one", {"flags": [at(50, "bool", **FLAG)]}, below="2")
ELSEWHERE = moved(
    "elsewhere",
    "one",
    {"free_memory_kb": at(50, "u16"), "flags": [at(51, "bool", **FLAG)]},
    **{"from": "2"},
)


def test_a_register_that_means_something_else_now_is_no_flag() -> None:
    """Free memory is told where the flag stood: 17 KB would be a raised flag."""
    bench = visits(Relay(layout=OLD, nameplate=plate({"swRev": "1"})), OLD, ELSEWHERE).settle()
    bench.relay.present(
        layout=ELSEWHERE, nameplate=plate({"swRev": "2"}), condition=Condition(free_memory_kb=17)
    )
    found = bench.until(1_000)
    (believed,) = found
    assert isinstance(believed, Believed)
    assert believed.map == "elsewhere"


def test_the_same_octets_are_decoded_anew_under_another_map() -> None:
    """A bit that was 0 and stays 0, and by its new polarity it stands."""
    one = moved("one", "one", {"flags": [at(50, "bool", **FLAG)]}, below="2")
    zero = moved("zero", "zero", {"flags": [at(50, "bool", **FLAG)]}, **{"from": "2"})
    bench = visits(Relay(layout=one, nameplate=plate({"swRev": "1"})), one, zero).settle()
    raised = Condition(flags=frozenset({"storage_low"}))
    bench.relay.present(layout=zero, nameplate=plate({"swRev": "2"}), condition=raised)
    bench.watch.next_nameplate = bench.now_s
    found = bench.until(1_000)
    assert [one.flags for one in of(Edges, found)] == [{"storage_low": True}]


def test_an_uptime_told_in_other_units_is_no_restart() -> None:
    """In seconds before, in whole hours now: the minutes are lost."""
    seconds = {"uptime_s": at(50, "u32", ticking=True)}
    hours = {"uptime_s": at(50, "u32", scale=3600, ticking=True)}
    old, new = (
        layout(map="old", fits={"versions": {"below": "2"}}, status=seconds),
        layout(map="new", fits={"versions": {"from": "2"}}, status=hours),
    )
    started = START - timedelta(seconds=10_059)
    relay = Relay(layout=old, nameplate=plate({"swRev": "1"}), started=started)
    bench = visits(relay, old, new).settle()
    relay.present(layout=new, nameplate=plate({"swRev": "2"}))
    bench.watch.next_nameplate = bench.watch.next_status  # the identity is read first
    assert of(Restarted, bench.until(1_000)) == []
    assert bench.watch.map is not None
    assert bench.watch.map.map.map == "new"


def test_a_status_that_is_refused_as_a_whole_asks_for_the_nameplate_at_once() -> None:
    bench = visits(pike(), shipped("pike"), shipped("pike-3")).settle()
    new_firmware(bench.relay)
    bench.visit()
    assert bench.watch.map is not None
    assert bench.watch.map.map.map == "pike-3"


def test_back_to_the_old_firmware_the_old_map_reads_whole_blocks_again() -> None:
    bench = visits(pike(), shipped("pike"), shipped("pike-3")).settle()
    before = bench.asked
    bench.until(bench.now_s + 60)
    whole = [request for _, request in before]
    new_firmware(bench.relay)
    bench.until(bench.now_s + 10_000)
    bench.relay.present(layout=shipped("pike"), nameplate=plate(PIKE))
    bench.until(bench.now_s + 10_000)
    bench.asked = []
    bench.until(bench.now_s + 60)
    assert [request for _, request in bench.asked] == whole


def test_no_map_fits_and_nothing_is_decoded() -> None:
    relay = larch(model="LYNX-1")
    bench = visits(relay)
    found = bench.until(400)
    identity = Nameplate(
        vendor=LARCH["vendor"],
        model="LYNX-1",
        orderCode=LARCH["orderCode"],
        swRev=LARCH["swRev"],
    )
    assert of(NoMapFits, found) == [NoMapFits(identity=identity)]
    assert of(Believed, found) + of(Edges, found) == []
    assert {request.address for _, request in bench.asked} == {IDENTITY_AT}
    assert bench.reading() is None


def test_a_device_nobody_has_mapped_has_a_nameplate_and_no_status() -> None:
    relay = Relay(
        layout=ANY,
        nameplate=Nameplate(vendor="Quern Works", orderCode="Q-1", swRev="7"),
        objects={5: "Q-1", 6: "Fellmoor"},
    )
    (found,) = of(Believed, visits(relay).until(200))
    assert found.nameplate.swRev == "7"


# Status.


def test_what_stands_at_the_first_look_is_told_without_a_reading_before_it() -> None:
    relay = larch()
    raise_flags(relay, "storage_low")
    bench = visits(relay)
    (found,) = of(Edges, bench.until(200))
    assert found.flags == {"storage_low": True}
    assert (found.health, found.behaviour, found.setting_group) == (Health.OK, Behaviour.ON, 1)
    assert found.last_old_at is None


def test_a_flag_needs_two_readings_and_the_identity() -> None:
    bench = visits(larch()).settle()
    raise_flags(bench.relay, "firmware_changed")
    assert bench.visit() == ()
    assert [request.address for _, request in bench.asked] == [STATUS_AT, IDENTITY_AT, 32]
    (found,) = bench.visit()
    assert isinstance(found, Edges)
    assert found.flags == {"firmware_changed": True}
    assert found.first_new_at == utc(240.1)
    assert found.last_old_at == utc(180.1)


def test_a_flag_that_stands_for_one_reading_is_none() -> None:
    bench = visits(larch()).settle()
    raise_flags(bench.relay, "restart_pending")
    bench.visit()
    raise_flags(bench.relay)
    assert bench.until(2_000) == []


def test_each_rise_and_fall_is_told() -> None:
    bench = visits(larch()).settle()
    raise_flags(bench.relay, "storage_low", "relay_failure")
    bench.until(bench.now_s + 300)
    raise_flags(bench.relay, "relay_failure")
    bench.until(bench.now_s + 300)
    edges = [one.flags for one in of(Edges, [one for _, one in bench.told])]
    assert edges == [{"storage_low": True, "relay_failure": True}, {"storage_low": False}]


def test_no_flag_moves_while_the_identity_can_not_be_read() -> None:
    bench = visits(larch()).settle()
    raise_flags(bench.relay, "firmware_changed")
    bench.fault = lambda request: Refused(code=4) if request.address == IDENTITY_AT else None
    assert bench.until(1_500) == []
    bench.fault = healthy
    assert of(Edges, bench.until(1_800)) != []


def test_uptime_alone_tells_nothing_and_nothing_is_decoded(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = visits(larch()).settle()
    decoded: list[StatusRead] = []

    def counted(compiled: CompiledMap, seen: Image) -> StatusRead:
        decoded.append(decode_status(compiled, seen))
        return decoded[-1]

    monkeypatch.setattr("poller.judging.status_seen.decode_status", counted)
    assert bench.until(3_500) == []
    assert len(bench.asked) == 55
    assert decoded == []
    bench.relay.present(condition=Condition(free_memory_kb=17))
    assert bench.visit() == ()
    assert len(decoded) == 1


def test_a_reading_tells_what_ticks_as_it_was_in_the_last_reply() -> None:
    bench = visits(larch()).settle()
    bench.until(bench.now_s + 1_000)
    reading = bench.reading()
    assert reading is not None
    replied = utc(bench.asked[-1][0] + REPLY_S)
    assert reading.at == replied
    assert reading.status.uptime_s == int((replied - START).total_seconds())
    assert reading.status.relay_time == replied.replace(microsecond=0)


def test_a_reading_is_stale_once_the_relay_does_not_answer() -> None:
    bench = visits(larch()).settle()
    reading = bench.reading()
    assert reading is not None
    assert reading.quality is Quality.GOOD
    bench.fault = always(SILENT)
    bench.visit()
    later = bench.reading()
    assert later == replace(reading, quality=Quality.STALE)


def test_a_status_that_alone_does_not_come_is_stale_too() -> None:
    bench = visits(larch()).settle()
    bench.fault = lambda request: SILENT if request.address == STATUS_AT else None
    bench.until(bench.now_s + 1_000)
    reading = bench.reading()
    assert reading is not None
    assert reading.quality is Quality.STALE


# Restarts.


def test_a_fall_of_the_uptime_asks_for_the_nameplate_at_once_and_confirms_longer() -> None:
    bench = visits(larch()).settle()
    change(bench.relay, swRev="5.2")
    bench.relay.restart(nonsense=None)
    restarted = bench.now_s
    bench.until(restarted + 1_200)
    asked = [at for at, request in bench.asked if request.address == IDENTITY_AT]
    assert asked[0] - restarted < PACE.status_s + 1
    when = [at for at, one in bench.told if isinstance(one, Believed)]
    assert when == [pytest.approx(asked[0] + PACE.confirm_after_restart_s, abs=61)]
    (told,) = of(Restarted, [one for _, one in bench.told])
    # status was read at 180 s before the fall; at 240 s after it and, with the nameplate, at once
    assert (told.uptime_before_s, told.uptime_s) == (180, 60)


def test_an_uptime_that_jitters_once_is_no_restart() -> None:
    bench = visits(larch()).settle()
    started = bench.relay.started
    bench.relay.restart(nonsense=None)
    bench.visit()
    bench.relay.started = started
    bench.relay.present()
    assert of(Restarted, bench.until(2_000)) == []


def test_after_a_silence_the_nameplate_is_read_first() -> None:
    bench = visits(larch()).settle()
    bench.fault = always(SILENT)
    bench.until(bench.now_s + 600)
    bench.fault, bench.asked = healthy, []
    assert of(Answering, bench.visit()) != []
    assert bench.asked[0][1].address == IDENTITY_AT


def test_a_nameplate_that_broke_off_after_a_silence_is_read_at_the_next_visit() -> None:
    """Found by seed 443: it was left until its own interval had passed."""
    bench = visits(larch()).settle()
    bench.fault = always(SILENT)
    bench.until(bench.now_s + 600)
    bench.fault = lambda request: SILENT if request.address != IDENTITY_AT else None
    assert of(Answering, bench.visit()) != []
    bench.fault, bench.asked = healthy, []
    bench.visit()
    assert bench.asked[0][1].address == IDENTITY_AT


def test_after_a_silence_a_change_is_confirmed_longer() -> None:
    """Whatever the uptime says: boot text may be about."""
    bench = visits(larch()).settle()
    bench.fault = always(SILENT)
    bench.until(bench.now_s + 600)
    bench.fault = healthy
    change(bench.relay, swRev="5.2")
    back = bench.watch.due
    bench.until(back + 1_200)
    (when,) = [at for at, one in bench.told if isinstance(one, Believed)]
    assert when - back == pytest.approx(PACE.confirm_after_restart_s, abs=61)


# What relays do.


def test_three_misses_in_a_row_are_silence() -> None:
    bench = visits(larch()).settle()
    last = bench.now_s
    bench.fault = always(SILENT)
    assert (bench.visit(), bench.visit()) == ((), ())
    (found,) = bench.visit()
    assert isinstance(found, Silent)
    assert found.reason == SILENT.reason
    assert found.last_answer_at is not None
    assert START + timedelta(seconds=last - 61) < found.last_answer_at
    assert bench.until(bench.now_s + 3_600) == []


def test_misses_from_before_somebody_worked_on_it_are_not_in_a_row_with_those_after() -> None:
    """Found by seed 4343."""
    bench = visits(larch()).settle()
    bench.fault = always(SILENT)
    assert (bench.visit(), bench.visit()) == ((), ())
    bench.watch.look_again(bench.now_s)
    assert (bench.visit(), bench.visit()) == ((), ())
    assert [type(one) for one in bench.visit()] == [Silent]


def test_an_answer_in_a_visit_that_was_given_up_is_one() -> None:
    bench = visits(larch()).settle()
    bench.now_s = answered = bench.watch.next_nameplate
    dialogue = bench.watch.poll(bench.moment())
    dialogue.send(Heard(outcome=bench._answer(next(dialogue)), at=bench.moment()))
    dialogue.close()
    bench.fault = always(SILENT)
    (silent,) = of(Silent, bench.until(bench.now_s + 600))
    assert silent.last_answer_at is not None
    assert silent.last_answer_at >= utc(answered)


def test_the_last_answer_is_not_the_silence_after_it() -> None:
    bench = visits(larch()).settle()
    bench.now_s = bench.watch.next_nameplate
    asked = len(bench.asked)
    bench.fault = lambda _: None if len(bench.asked) == asked + 1 else SILENT
    bench.visit()
    answered = bench.asked[asked][0] + REPLY_S
    (silent,) = of(Silent, bench.until(bench.now_s + 600))
    assert silent.last_answer_at == utc(answered)


def test_a_silent_relay_is_asked_once_an_interval() -> None:
    bench = visits(larch()).settle()
    bench.fault = always(SILENT)
    bench.until(bench.now_s + 3_600)
    assert len(bench.asked) == 60


def test_a_miss_while_a_change_waits_is_one_miss_an_interval_too() -> None:
    bench = visits(larch()).settle()
    missed = bench.watch.next_nameplate = bench.watch.next_status - 20
    bench.fault = always(SILENT)
    bench.visit()
    assert bench.watch.misses == 1
    assert bench.watch.due >= missed + PACE.status_s


def test_one_answer_between_misses_is_no_silence() -> None:
    bench = visits(larch()).settle()
    for _ in range(20):
        bench.fault = always(SILENT)
        bench.visit()
        bench.visit()
        bench.fault = healthy
        bench.visit()
    assert of(Silent, [one for _, one in bench.told]) == []


@pytest.mark.parametrize("code", [5, 6])
def test_busy_is_later_and_no_miss(code: int) -> None:
    bench = visits(larch()).settle()
    bench.fault = always(Refused(code=code))
    started = bench.watch.due
    assert bench.visit() == ()
    assert bench.watch.misses == 0
    assert bench.watch.due == started + LATER_S
    bench.fault = healthy
    assert bench.visit() == ()
    assert bench.watch.due > bench.now_s + 50


def test_the_reading_of_a_busy_relay_is_good_for_an_interval_longer() -> None:
    bench = visits(larch()).settle()
    bench.fault = always(Refused(code=6))
    qualities = []
    for _ in range(30):
        bench.visit()
        reading = bench.reading()
        assert reading is not None
        qualities.append(reading.quality)
    assert qualities == [Quality.GOOD] * 13 + [Quality.STALE] * 17


@pytest.mark.parametrize("code", [0x0A, 0x0B])
def test_a_gateway_that_answers_for_its_unit_is_a_miss(code: int) -> None:
    bench = visits(larch()).settle()
    bench.fault = always(Refused(code=code))
    bench.visit()
    assert bench.watch.misses == 1
    assert len(of(Silent, bench.until(bench.now_s + 600))) == 1


def test_garbage_is_a_miss() -> None:
    bench = visits(larch()).settle()
    bench.fault = always(Garbled(reason="protocol 7, not 0"))
    (silent,) = of(Silent, bench.until(bench.now_s + 600))
    assert silent.reason == "garbled: protocol 7, not 0"


def refuses_across(address: int) -> Callable[[Request], Outcome | None]:
    """Exception 02 for every read that begins before this address and goes past it."""

    def fault(request: Request) -> Outcome | None:
        inside = request.address < address < request.address + request.count
        return Refused(code=2) if inside else None

    return fault


def test_a_block_refused_inside_is_split_at_field_borders_and_said_once() -> None:
    bench = visits(larch())
    bench.fault = refuses_across(205)
    found = bench.until(7_000)
    (noted,) = of(Noted, found)
    assert noted.finding == "block_split"
    assert of(Believed, found) != []
    assert bench.reading() is not None
    # remembered: the whole block was asked for once only
    whole = [r for _, r in bench.asked if r.address == STATUS_AT and r.count > 5]
    assert len(whole) == 1


@pytest.mark.parametrize("address", [10, 40])
def test_a_split_of_identity_or_nameplate_is_remembered_too(address: int) -> None:
    bench = visits(larch())
    bench.fault = refuses_across(address)
    assert [one.nameplate for one in of(Believed, bench.until(200))] == [plate(LARCH)]
    refused = [r for _, r in bench.asked if isinstance(bench.fault(r), Refused)]
    assert len(refused) == 1


def test_a_finding_noted_before_is_not_noted_again() -> None:
    bench = visits(larch(), memory=Memory(findings=frozenset({"block_split"})))
    bench.fault = refuses_across(205)
    assert of(Noted, bench.until(500)) == []


def test_an_identity_that_can_not_be_read_for_half_an_hour_is_told_once() -> None:
    bench = visits(larch()).settle()
    broken = larch()
    broken.restart(nonsense=Random(3))
    bench.relay = broken
    bench.watch.next_nameplate = bench.now_s
    started = bench.watch.due
    found = bench.until(started + PACE.unreadable_s - 61)
    assert of(Unreadable, found) == []
    found = bench.until(started + 3 * PACE.unreadable_s)
    (told,) = of(Unreadable, found)
    assert utc(started) < told.since < utc(started + 300)  # letters by chance read well at first
    assert told.reason != ""
    broken.restart(nonsense=None)
    assert len(of(Readable, bench.until(bench.now_s + 400))) == 1


def test_a_relay_that_is_busy_for_ever_is_told_as_unreadable() -> None:
    bench = visits(larch())
    bench.fault = always(Refused(code=6))
    (told,) = of(Unreadable, bench.until(2 * PACE.unreadable_s))
    assert told.reason == "exception 06, server device busy"
    assert of(Silent, [one for _, one in bench.told]) == []


def test_what_was_not_recorded_is_found_again() -> None:
    bench: Visits = visits(larch()).settle()
    before = bench.watch.memory
    change(bench.relay, swRev="5.2")
    raise_flags(bench.relay, "storage_low")
    first = bench.until(bench.now_s + 5_000)
    bench.watch.forget_unconfirmed(before, bench.moment(), bench.now_s)
    again = bench.until(bench.now_s + 5_000)
    assert [one.nameplate for one in of(Believed, again)] == [
        one.nameplate for one in of(Believed, first)
    ]
    assert [one.flags for one in of(Edges, again)] == [{"storage_low": True}]


def test_when_the_recorded_value_was_read_last_is_not_known_after_that() -> None:
    bench: Visits = visits(larch()).settle()
    before = bench.watch.memory
    raise_flags(bench.relay, "storage_low")
    change(bench.relay, swRev="5.2")
    bench.until(bench.now_s + 5_000)
    bench.watch.forget_unconfirmed(before, bench.moment(), bench.now_s)
    again = bench.until(bench.now_s + 5_000)
    assert [one.last_old_at for one in [*of(Edges, again), *of(Believed, again)]] == [None, None]


def test_what_was_not_recorded_is_found_as_soon_as_it_can_be() -> None:
    bench: Visits = visits(larch()).settle()
    before = bench.watch.memory
    change(bench.relay, swRev="5.2")
    first = bench.until(bench.now_s + 5_000)
    assert len(of(Believed, first)) == 1
    bench.watch.forget_unconfirmed(before, bench.moment(), bench.now_s + 2)
    soon_s = 2 + PACE.confirm_s + 2
    assert soon_s < PACE.nameplate_s / 2
    assert len(of(Believed, bench.until(bench.now_s + soon_s))) == 1


def test_memory_erased_while_no_map_fitted_is_not_read() -> None:
    """Found by the trial: an identity that fits no map made all that was known be forgotten."""
    bench = visits(larch()).settle()
    good = bench.relay.nameplate
    change(bench.relay, model="X-1")
    assert of(NoMapFits, bench.until(bench.watch.now.mono + 8_000)) != []
    bench.relay.present(nameplate=replace(good, configRev=None))
    assert of(Believed, bench.until(bench.watch.now.mono + 8_000)) == []
