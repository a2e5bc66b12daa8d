"""Every kind of event has a sentence for people, and no device can write one of its own."""

from __future__ import annotations

import dataclasses
import unicodedata
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poller.answers.sentences import ALARM, ENTERED, POLLER, RELAY, sentence
from poller.model import events as ev
from poller.model import limits
from poller.model.due import Severity, Signature
from poller.model.events import Body, Change, ChangeClass, Order
from poller.model.nameplate import Nameplate
from poller.model.standing import Relay, State
from poller.model.status import Behaviour, Health
from poller.model.users import FORM, SIGN_IN, Role, SessionHappening, UserHappening
from poller.model.work import (
    Disposition,
    FirmwareStatus,
    Line,
    NoteKind,
    Plan,
    WorkKind,
    WorkState,
)
from tests.answers.alarm_bodies import ABOUT_ALARMS, CAME
from tests.answers.world import ACCEPTED, PRESENT, STATE, event

THEN = datetime(2026, 3, 1, 4, 5, 6, tzinfo=UTC)


def swapped(
    before: str | None, after: str | None, order: Order | None, name: str = "swRev"
) -> Change:
    return Change(
        attribute=name, before=before, after=after, change=ChangeClass.UNPLANNED, order=order
    )


def changed(change: ChangeClass, *changes: Change) -> ev.NameplateChanged:
    return ev.NameplateChanged(
        change=change,
        changes=changes,
        nameplate=PRESENT,
        map="tarn",
        last_old_at=THEN,
        first_new_at=THEN,
    )


UP = swapped("V2.10.00", "V2.11.00", Order.NEWER)
SERIAL = dataclasses.replace(swapped("40117", "40391", None, "serNum"), change=ChangeClass.REPLACED)
SETTINGS = dataclasses.replace(swapped("a1", "b2", None, "settingsId"), change=ChangeClass.SETTINGS)
MANY = [swapped(f"{n}", f"{n + 1}", Order.NEWER, f"components.card{n}.swRev") for n in range(6)]

ABOUT_RELAYS: list[tuple[Body, str]] = [
    (
        ev.RelayListed(bay="Q08", function="main 2", address="127.1.0.8:502/255"),
        "Q08 main 2: listed at 127.1.0.8:502/255.",
    ),
    (ev.RelayDelisted(), "Q07 main 1: no longer listed, and not polled any more."),
    (
        ev.NameplateFirstRead(nameplate=ACCEPTED, map="tarn", first_new_at=THEN),
        "Q07 main 1: read for the first time, under map tarn: Tarn TD-40, serial number 40117, "
        "firmware V2.10.00.",
    ),
    (
        ev.NameplateFirstRead(nameplate=Nameplate(), map="any", first_new_at=THEN),
        "Q07 main 1: read for the first time, under map any: nothing about itself.",
    ),
    (ev.MapChosen(map="tarn-3", before=None), "Q07 main 1: it is read under map tarn-3 now."),
    (
        ev.MapChosen(map="tarn-3", before="tarn"),
        "Q07 main 1: it is read under map tarn-3 now, before under tarn.",
    ),
    (
        ev.NoValidMap(identity=Nameplate(model="TD-41", swRev="V9"), before="tarn"),
        "Q07 main 1: none of its maps fits TD-41, firmware V9; nothing else is read from it.",
    ),
    (
        ev.IdentityUnreadable(since=THEN, reason="swRev: erased"),
        "Q07 main 1: it answers, but its nameplate can't be read since 2026-03-01 04:05:06 UTC: "
        "swRev: erased.",
    ),
    (ev.IdentityReadable(), "Q07 main 1: its nameplate can be read again."),
    (
        ev.SerialDuplicated(serNum="40117", others=("q10-main1", "gone")),
        "Q07 main 1: its serial number 40117 is also told by Q10 main 1, gone; one relay at two "
        "addresses, or a wrong entry.",
    ),
    (
        ev.SerialDuplicated(serNum="7", others=("a", "b", "c", "d", "e", "f")),
        "Q07 main 1: its serial number 7 is also told by a, b, c, d, 2 more; one relay at two "
        "addresses, or a wrong entry.",
    ),
    (
        ev.SerialDuplicated(serNum="40117", others=()),
        "Q07 main 1: no other position tells its serial number any more.",
    ),
    (
        ev.BaselineAccepted(nameplate=PRESENT, why="update of spring", reference="W-31"),
        "Q07 main 1: baseline accepted by J. Kral, Tarn TD-40, serial number 40117, firmware "
        "V2.11.00: update of spring. Reference: W-31.",
    ),
    (
        ev.ReadingEntered(values={"swRev": "B", "components.boot.swRev": "1.4"}, read_at=THEN),
        "Q07 main 1: read at the front panel on 2026-03-01 04:05:06 UTC and entered by J. Kral: "
        "boot firmware 1.4, firmware B.",
    ),
    (
        ev.FlagRose(
            flag="storage_low", says="Storage is nearly full.", last_old_at=THEN, first_new_at=THEN
        ),
        "Q07 main 1: flag storage_low rose. Storage is nearly full.",
    ),
    (
        ev.FlagRose(
            flag="storage_low", says="Storage is nearly full", last_old_at=None, first_new_at=THEN
        ),
        "Q07 main 1: flag storage_low stood when it was first read. Storage is nearly full.",
    ),
    (
        ev.FlagFell(flag="storage_low", last_old_at=THEN, first_new_at=THEN),
        "Q07 main 1: flag storage_low fell.",
    ),
    (
        ev.HealthChanged(before=Health.OK, after=Health.ALARM),
        "Q07 main 1: health is alarm; it was ok.",
    ),
    (ev.HealthChanged(before=None, after=Health.OK), "Q07 main 1: health is ok."),
    (
        ev.BehaviourChanged(before=Behaviour.ON, after=Behaviour.TEST_BLOCKED),
        "Q07 main 1: behaviour is test, blocked; it was on.",
    ),
    (
        ev.SettingGroupChanged(before=0, after=2),
        "Q07 main 1: the active setting group is 2; it was 0.",
    ),
    (
        ev.RelayRestarted(uptime_before_s=273_600, uptime_s=40),
        "Q07 main 1: it restarted; its uptime fell from 3 d 4 h to 40 s.",
    ),
    (
        ev.RelaySilent(last_answer_at=THEN, reason="no answer in 3 s"),
        "Q07 main 1: it has not answered since 2026-03-01 04:05:06 UTC: no answer in 3 s.",
    ),
    (
        ev.RelaySilent(last_answer_at=None, reason="refused"),
        "Q07 main 1: it does not answer and never has: refused.",
    ),
    (
        ev.RelayAnswering(silent_since=THEN),
        "Q07 main 1: it answers again; it was silent since 2026-03-01 04:05:06 UTC.",
    ),
    (ev.RelayAnswering(silent_since=None), "Q07 main 1: it answers."),
    (
        ev.RelaySeen(day="2026-03-01", reads_before=1),
        "Q07 main 1: its nameplate was read on 2026-03-01; 1 reading since this was last noted.",
    ),
    (ev.RelayPaused(why="test set"), "Q07 main 1: polling was paused by J. Kral: test set."),
    (ev.RelayResumed(), "Q07 main 1: polling was resumed by J. Kral."),
    (
        ev.FindingNoted(finding="block_split", says="refused a block of registers"),
        "Q07 main 1: refused a block of registers.",
    ),
    (
        ev.ExceptionGiven(exception="e1", until="2026-09-30", why="outage in autumn"),
        "Q07 main 1: exception e1 was given by J. Kral, what is due may wait until 2026-09-30: "
        "outage in autumn.",
    ),
    (
        ev.ExceptionEnded(exception="e1", why="updated"),
        "Q07 main 1: exception e1 was ended by J. Kral: updated.",
    ),
]

PLAN = Plan(
    relay="q07-main1",
    kind=WorkKind.UPDATE,
    expects={"swRev": "V2.12.00"},
    before={"swRev": "V2.11.00"},
    start=datetime(2026, 3, 29, 0, 30, tzinfo=UTC),
    end=datetime(2026, 3, 29, 4, 0, tzinfo=UTC),
    zone="Europe/Vienna",
    reference="WO 31",
)


def line(name: str, read: str | None, ok: bool | None) -> Line:
    return Line(name=name, expected="V2.12.00", read=read, at=None, ok=ok)


def checked(*lines: Line, holds: bool = False, proven: bool = False) -> ev.VerificationChecked:
    return ev.VerificationChecked(work="w1", lines=lines, holds=holds, proven=proven)


ABOUT_WORK: list[tuple[Body, str]] = [
    (
        ev.FirmwareStatusChanged(
            attribute="components.boot.swRev",
            before=FirmwareStatus.CURRENT,
            after=FirmwareStatus.WITHDRAWN,
            version="1.5",
            target="1.6",
            rule="tarn-boot",
        ),
        "boot firmware 1.5: withdrawn (target 1.6, rule tarn-boot); it was: current.",
    ),
    (
        ev.FirmwareStatusChanged(
            attribute="swRev",
            before=None,
            after=FirmwareStatus.NO_RULE,
            version="V2.11.00",
            target=None,
            rule=None,
        ),
        "firmware V2.11.00: no rule.",
    ),
    (
        ev.FirmwareStatusChanged(
            attribute="swRev",
            before=FirmwareStatus.CURRENT,
            after=FirmwareStatus.NOT_READ,
            version=None,
            target="V2.12.00",
            rule="tarn",
        ),
        "firmware: not read (target V2.12.00, rule tarn); it was: current.",
    ),
    (
        ev.WorkAdded(work="w1", plan=PLAN),
        "work w1 was planned by J. Kral: firmware update, firmware V2.12.00 afterwards; "
        "2026-03-29 01:30 +01:00 Europe/Vienna to 2026-03-29 06:00 +02:00 Europe/Vienna. "
        "Reference: WO 31.",
    ),
    (
        ev.RuleOverridden(
            work="w1", rule="redundant", says="Main 2 is out as well.", why="line is out of service"
        ),
        "work w1: a rule was decided against by J. Kral, because: line is out of service. "
        "The rule (redundant): Main 2 is out as well.",
    ),
    (
        ev.WorkMoved(
            work="w1", before=WorkState.READY, after=WorkState.UNDER_WAY, why="begun in its window"
        ),
        "work w1 was moved by J. Kral from ready to under way: begun in its window.",
    ),
    (
        ev.WorkMoved(work="w1", before=WorkState.PLANNED, after=WorkState.READY, why=""),
        "work w1 was moved by J. Kral from planned to ready.",
    ),
    (
        ev.WorkNoted(work="w1", note=NoteKind.TESTED, text="all stages, protocol 7"),
        "work w1, functional test passed, noted by J. Kral: all stages, protocol 7.",
    ),
    (
        checked(line("swRev", "V2.12.00", True), holds=True, proven=True),
        "work w1 was checked: all that is read is as expected, and stayed so.",
    ),
    (
        checked(line("swRev", "V2.12.00", True), holds=True),
        "work w1 was checked: all that is read is as expected so far.",
    ),
    (
        checked(line("swRev", None, None), line("health", None, None)),
        "work w1 was checked: 2 lines can't be told yet.",
    ),
    (
        checked(line("swRev", "V2.11.00", False), line("health", None, False)),
        "work w1 was checked: 2 of 2 lines not as expected: firmware is V2.11.00, expected "
        "V2.12.00; health is not read, expected V2.12.00.",
    ),
    (
        checked(*(line(f"l{n}", "a", False) for n in range(6))),
        "work w1 was checked: 6 of 6 lines not as expected: l0 is a, expected V2.12.00; l1 is a, "
        "expected V2.12.00; l2 is a, expected V2.12.00; l3 is a, expected V2.12.00; 2 more.",
    ),
    (
        ev.InvestigationOpened(investigation="i1", change=ChangeClass.UNPLANNED, changes=(UP,)),
        "investigation i1 was opened: firmware changed from V2.10.00 to V2.11.00 (newer), and "
        "nobody planned it.",
    ),
    (
        ev.InvestigationLinked(investigation="i1", work="w4"),
        "investigation i1 was linked by J. Kral to work w4; the change stays one that nobody had "
        "planned.",
    ),
    (
        ev.DispositionGiven(
            investigation="i1", disposition=Disposition.EMERGENCY_REPLACEMENT, why="box burnt"
        ),
        "investigation i1 was closed by J. Kral: an emergency replacement. box burnt.",
    ),
]

CHANGES: list[tuple[Body, str]] = [
    (
        dataclasses.replace(changed(ChangeClass.PLANNED, UP), work="w1"),
        "firmware changed from V2.10.00 to V2.11.00 (newer), as planned. It was judged against "
        "work w1.",
    ),
    (
        changed(ChangeClass.UNPLANNED, UP),
        "firmware changed from V2.10.00 to V2.11.00 (newer), and nobody planned it.",
    ),
    (
        changed(ChangeClass.PLANNED, UP),
        "firmware changed from V2.10.00 to V2.11.00 (newer), as planned.",
    ),
    (
        changed(ChangeClass.WRONG_VERSION, UP),
        "firmware changed from V2.10.00 to V2.11.00 (newer); it is not the version that was "
        "planned.",
    ),
    (
        changed(ChangeClass.DOWNGRADED, swapped("B", "A", Order.OLDER)),
        "firmware changed from B to A (older), a downgrade that nobody planned.",
    ),
    (
        changed(ChangeClass.REPLACED, UP, SERIAL),
        "the relay was replaced: serial number changed from 40117 to 40391 and firmware changed "
        "from V2.10.00 to V2.11.00 (newer).",
    ),
    (
        changed(ChangeClass.OPTIONS, swapped("TD40-A", "TD40-B", None, "orderCode")),
        "order code changed from TD40-A to TD40-B; its options or hardware are not what they were.",
    ),
    (
        changed(ChangeClass.SETTINGS, SETTINGS),
        "settings mark changed from a1 to b2; its settings are not what they were.",
    ),
    (
        changed(ChangeClass.TEXT_ONLY, swapped("V2.10", "V2.10.0", Order.TEXT_ONLY)),
        "firmware changed from V2.10 to V2.10.0 (the same version, spelled otherwise).",
    ),
    (
        changed(ChangeClass.UNPLANNED, swapped("5.1 SP2", "5.1 FP2", Order.NOT_COMPARABLE)),
        "firmware changed from 5.1 SP2 to 5.1 FP2 (which of them is newer can't be told), and "
        "nobody planned it.",
    ),
    (
        changed(ChangeClass.UNPLANNED, swapped(None, "7", Order.NOT_COMPARABLE)),
        "firmware is told now, 7, and nobody planned it.",
    ),
    (
        changed(ChangeClass.SETTINGS, swapped("a1", None, None, "paramRev")),
        "settings revision is no longer told, a1 before; its settings are not what they were.",
    ),
    (
        changed(ChangeClass.UNPLANNED, *MANY),
        "card0 firmware changed from 0 to 1 (newer), card1 firmware changed from 1 to 2 (newer), "
        "card2 firmware changed from 2 to 3 (newer), card3 firmware changed from 3 to 4 (newer) "
        "and 2 more changes, and nobody planned it.",
    ),
]

ABOUT_THE_POLLER: list[tuple[Body, str]] = [
    (
        ev.UserChanged(
            user="j.kral",
            happening=UserHappening.ADDED,
            roles=(Role.OPERATOR, Role.SECURITY_ADMINISTRATOR),
        ),
        "User j.kral was added as operator, security administrator.",
    ),
    (
        ev.UserChanged(user="j.kral", happening=UserHappening.ROLES_CHANGED, roles=(Role.VIEWER,)),
        "User j.kral is viewer now.",
    ),
    (
        ev.UserChanged(
            user="j.kral", happening=UserHappening.PASSWORD_CHANGED, roles=(Role.VIEWER,)
        ),
        "User j.kral has a new password.",
    ),
    (ev.UserChanged(user="j.kral", happening=UserHappening.REMOVED), "User j.kral was removed."),
    (
        ev.SessionChanged(user="j.kral", happening=SessionHappening.SIGNED_IN, address="10.1.2.3"),
        "User j.kral signed in, from 10.1.2.3.",
    ),
    (
        ev.SessionChanged(
            user="j.kral", happening=SessionHappening.SIGNED_OUT, times=3, since=THEN
        ),
        "User j.kral signed out, from several addresses, 3 times since 2026-03-01 04:05:06 UTC.",
    ),
    (
        ev.SessionChanged(user="j.kral", happening=SessionHappening.OVER, address="::1"),
        "User j.kral was signed out: the session was over, from ::1.",
    ),
    (
        ev.AccessRefused(what=SIGN_IN, user="j.kral", address="10.1.2.3"),
        "Signing in with the name j.kral was refused, from 10.1.2.3.",
    ),
    (
        ev.AccessRefused(what=SIGN_IN, address="10.1.2.3"),
        "Signing in with a name that nobody has was refused, from 10.1.2.3.",
    ),
    (
        ev.AccessRefused(what=SIGN_IN, times=1_400, since=THEN),
        "Signing in was refused, from several addresses, 1,400 times "
        "since 2026-03-01 04:05:06 UTC.",
    ),
    (
        ev.AccessRefused(what="alarm_ack", user="j.kral", address="10.1.2.3"),
        "User j.kral asked to acknowledge alarms and may not, from 10.1.2.3.",
    ),
    (
        ev.AccessRefused(what="pause", address="127.0.0.1"),
        "Somebody who is not signed in asked to pause polling and may not, from 127.0.0.1.",
    ),
    (
        ev.AccessRefused(what=FORM, user="j.kral", address="10.1.2.3"),
        "User j.kral sent a form that is not of this session, refused, from 10.1.2.3.",
    ),
    (
        ev.AccessRefused(what="relay_wipe", user="j.kral", address="10.1.2.3"),
        "User j.kral asked to do relay_wipe and may not, from 10.1.2.3.",
    ),
    (ev.ServiceStarted(version="0.1.0"), "The poller started, version 0.1.0."),
    (
        ev.ServiceStarted(version="0.1.0", unstopped=True),
        "The poller started, version 0.1.0; the run before it had no stop (killed, or no power).",
    ),
    (ev.ServiceStopped(reason="stopped"), "The poller stopped."),
    (ev.ServiceStopped(reason="disk full"), "The poller stopped: disk full."),
    (
        ev.ClockStepped(by_ms=-61_005),
        "The clock of the poller's computer was put back by 61.005 s.",
    ),
    (
        ev.ClockStepped(by_ms=3_500),
        "The clock of the poller's computer was put forward by 3.500 s.",
    ),
    (
        ev.SiteLoaded(site="hollin", sha256="0" * 64, files={"site.yaml": "", "tarn.yaml": ""}),
        "Site hollin was loaded from 2 files.",
    ),
    (
        ev.OutputGap(output="mqtt", first_seq=10, last_seq=14),
        "Output mqtt fell too far behind; 5 events (10 to 14) did not go to it.",
    ),
    (
        ev.Pruned(
            first_seq=1, last_seq=1200, counts={"flag_rose": 1200}, last_hash="0" * 64, base="{}"
        ),
        "The journal dropped 1,200 events (1 to 1200) past the time they are kept.",
    ),
    (
        ev.SpareShelved(
            vendor="Tarn",
            serNum="40391",
            model="TD-40",
            orderCode="TD40-A",
            swRev="V2.10.00",
            shelf="A3",
            tested_on="2026-02-11",
        ),
        "Spare Tarn serial number 40391, TD-40, order code TD40-A, firmware V2.10.00 is on shelf "
        "A3, tested on 2026-02-11.",
    ),
    (
        ev.SpareShelved(
            vendor="Tarn",
            serNum="40391",
            model=None,
            orderCode=None,
            swRev=None,
            shelf="A3",
            tested_on=None,
        ),
        "Spare Tarn serial number 40391 is on shelf A3, no test noted.",
    ),
    (
        ev.SpareRemoved(vendor="Tarn", serNum="40391", why="sent for repair"),
        "Spare Tarn serial number 40391 left the shelf: sent for repair.",
    ),
    (
        ev.BulletinAdded(
            bulletin="b1",
            title="the earth fault element may stay blocked",
            severity=Severity.FAILURE_TO_TRIP,
            relays=(),
            family="larch",
            versions="vers:generic/<5.2",
            fixed_in="5.2",
            reference="SB 7",
        ),
        'Service bulletin b1 was entered: failure to trip; about versions "vers:generic/<5.2" of '
        "family larch, fixed in 5.2: the earth fault element may stay blocked. Reference: SB 7.",
    ),
    (
        ev.BulletinAdded(
            bulletin="b2",
            title="its clock may stop",
            severity=Severity.NOT_PROTECTION,
            relays=("q07-main1",),
            family=None,
            versions=None,
            fixed_in=None,
            reference=None,
        ),
        "Service bulletin b2 was entered: protection is not concerned; about 1 relay: its clock "
        "may stop.",
    ),
    (
        ev.BulletinClosed(bulletin="b1", why="all updated"),
        "Service bulletin b1 was closed: all updated.",
    ),
    (
        ev.EvaluationEntered(vendor="Tarn", found="nothing released this month"),
        "What Tarn released was evaluated: nothing released this month.",
    ),
    (
        ev.PackageChecked(
            file="td40-2-12.zip",
            size=1_048_576,
            sha256="a" * 64,
            rule="td40",
            version="V2.12.00",
            signature=Signature.GOOD,
            relays=("q07-main1",),
            against=(),
            source="read to us by telephone on 2026-02-27 by M. Orne",
        ),
        "Package td40-2-12.zip for td40 V2.12.00 was checked: 1,048,576 octets, SHA-256 "
        f"{'a' * 64}, its signature is good, for 1 relay: nothing speaks against it. The digest: "
        "read to us by telephone on 2026-02-27 by M. Orne.",
    ),
    (
        ev.PackageChecked(
            file="td40-2-12.zip",
            size=12,
            sha256="a" * 64,
            rule="td40",
            version="V2.12.00",
            signature=Signature.NONE,
            relays=(),
            against=("its size is 12, the list says 1,048,576",),
            source="its release note",
        ),
        "Package td40-2-12.zip for td40 V2.12.00 was checked: 12 octets, SHA-256 "
        f"{'a' * 64}, no signature given, for 0 relays: its size is 12, the list says 1,048,576. "
        "The digest: its release note.",
    ),
]
ALL = [*ABOUT_RELAYS, *ABOUT_WORK, *CHANGES, *ABOUT_THE_POLLER, *ABOUT_ALARMS]


@pytest.mark.parametrize(("body", "says"), ABOUT_RELAYS, ids=lambda v: getattr(v, "kind", ""))
def test_a_relay_is_named_by_its_position(body: Body, says: str) -> None:
    assert sentence(event(body, by="J. Kral"), STATE) == says


@pytest.mark.parametrize(("body", "says"), ABOUT_WORK, ids=lambda v: getattr(v, "kind", ""))
def test_what_becomes_of_work_and_of_what_nobody_planned(body: Body, says: str) -> None:
    assert sentence(event(body, by="J. Kral"), STATE) == f"Q07 main 1: {says}"


@pytest.mark.parametrize(("body", "says"), ABOUT_ALARMS, ids=lambda v: getattr(v, "kind", ""))
def test_what_becomes_of_an_alarm(body: Body, says: str) -> None:
    assert sentence(event(body, by="J. Kral"), STATE) == f"Q07 main 1: {says}"


def test_an_alarm_of_no_single_relay_is_told_without_a_position() -> None:
    body = dataclasses.replace(CAME, alarm="poller.output_away.mqtt")
    assert sentence(event(body, subject=""), STATE) == (
        "Alarm poller.output_away.mqtt (low priority) came: it does not answer."
    )


@pytest.mark.parametrize(
    ("owner", "says"),
    [("", "the station"), ("gateway-10-0-0-1-502", "gateway-10-0-0-1-502")],
)
def test_points_of_no_single_relay_say_whose_they_are(owner: str, says: str) -> None:
    body = ev.PointBlockAssigned(owner=owner, block=0)
    assert (
        sentence(event(body, subject=""), STATE)
        == f"The points of {says} stand in block 0 for ever."
    )


def test_a_window_in_a_zone_that_is_not_known_here_is_told_in_utc() -> None:
    plan = dataclasses.replace(PLAN, zone="Nowhere/At_All", reference=None)
    assert sentence(event(ev.WorkAdded(work="w1", plan=plan)), STATE).endswith(
        "; 2026-03-29 00:30:00 UTC to 2026-03-29 04:00:00 UTC."
    )


@pytest.mark.parametrize(("body", "says"), CHANGES, ids=lambda v: getattr(v, "change", ""))
def test_a_change_says_what_became_what(body: Body, says: str) -> None:
    assert sentence(event(body), STATE) == f"Q07 main 1: {says}"


@pytest.mark.parametrize(("body", "says"), ABOUT_THE_POLLER, ids=lambda v: getattr(v, "kind", ""))
def test_the_poller_speaks_of_itself(body: Body, says: str) -> None:
    assert sentence(event(body, subject=""), STATE) == says


@pytest.mark.parametrize("kind", sorted({kind for kind, _ in ev.KINDS}))
def test_every_kind_of_event_has_a_sentence_that_is_tested(kind: str) -> None:
    assert kind in {body.kind for body, _ in ALL}


def test_no_sentence_is_kept_for_a_kind_that_is_gone() -> None:
    told = POLLER.keys() | RELAY.keys() | ALARM.keys() | ENTERED.keys()
    assert told == {kind for kind, _ in ev.KINDS}


@pytest.mark.parametrize("change", ChangeClass)
def test_every_class_of_change_has_a_sentence_that_is_tested(change: ChangeClass) -> None:
    assert change in {body.change for body, _ in CHANGES if isinstance(body, ev.NameplateChanged)}


def test_a_relay_that_the_state_does_not_know_goes_by_its_id() -> None:
    assert sentence(event(ev.RelayDelisted(), subject="q99"), STATE).startswith("q99: ")


@pytest.mark.parametrize(
    ("version", "looks"),
    [
        ("5.1 SP2 HF3", "5.1 SP2 HF3"),
        ("V2 (newer), as planned", '"V2 (newer), as planned"'),
        ("\x1b[2J", r'"\x1b[2J"'),
        ("\u202e1.2V", r'"\u202e1.2V"'),
        ("", '""'),
        ("1.0 ", '"1.0 "'),
        ("a\nQ08 main 1: it answers.", r'"a\x0aQ08 main 1: it answers."'),
        ("{} {0} %s", '"{} {0} %s"'),
    ],
)
def test_what_a_device_says_can_not_pass_for_our_words(version: str, looks: str) -> None:
    body = changed(ChangeClass.UNPLANNED, swapped("V1", version, Order.NOT_COMPARABLE))
    assert f" to {looks} (which" in sentence(event(body), STATE)


def spoiled(value: Any, text: str) -> Any:
    """The same value with every text in it, keys too, replaced."""
    if isinstance(value, str) and type(value) is str:
        return text
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: spoiled(getattr(value, f.name), text) for f in dataclasses.fields(value)}
        return type(value)(**fields)
    if isinstance(value, tuple):
        return tuple(spoiled(one, text) for one in value)
    if isinstance(value, dict):
        return {spoiled(k, text): spoiled(v, text) for k, v in value.items()}
    return value


@settings(max_examples=25, deadline=None)
@given(st.text(st.characters(exclude_categories=[]), max_size=600))
def test_whatever_the_texts_a_sentence_is_one_bounded_line(text: str) -> None:
    state = State(relays={"r": Relay(bay=text, function=text, address=text)})
    for body, _ in ALL:
        said = sentence(event(spoiled(body, text), subject="r", by=text), state)
        assert len(said) <= limits.SENTENCE_MAX
        categories = {unicodedata.category(character) for character in said}
        assert categories.isdisjoint({"Cc", "Cf", "Cs", "Zl", "Zp"})
