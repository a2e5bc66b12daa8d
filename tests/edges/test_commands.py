"""Requests to the book of work as they come over the control socket: typed, bounded or refused."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from poller.edges.commands import COMMANDS, command
from poller.model import limits
from poller.model.due import Severity, Signature
from poller.model.refusal import Refusal
from poller.model.work import Disposition, NoteKind, SettingsFile, WorkKind
from poller.work import requests as ask

DIGEST = "0123456789abcdef" * 4
ADD: dict[str, Any] = {
    "relays": ["q07-main1"],
    "kind": "update",
    "expects": {"swRev": "V2.11"},
    "start": "2026-03-02T09:00:00+01:00",
    "end": "2026-03-02T12:00:00+01:00",
    "zone": "Europe/Berlin",
}
PACKAGE: dict[str, Any] = {
    "file": "a.zip",
    "size": 3,
    "sha256": DIGEST,
    "rule": "tarn",
    "version": "V2.12",
    "signature": "none",
    "relays": ["q07-main1"],
    "against": ["too small"],
    "source": "release note",
}
SHELVE: dict[str, Any] = {"vendor": "Tarn", "serNum": "9", "shelf": "B3"}

TYPED: dict[str, tuple[dict[str, Any], Any]] = {
    "work_add": (
        {**ADD, "settings": {"name": "q07.set", "sha256_before": DIGEST}, "reference": "W-12"},
        ask.AddWork(
            relays=("q07-main1",),
            kind=WorkKind.UPDATE,
            expects={"swRev": "V2.11"},
            start=datetime(2026, 3, 2, 8, tzinfo=UTC),
            end=datetime(2026, 3, 2, 11, tzinfo=UTC),
            zone="Europe/Berlin",
            reference="W-12",
            settings=SettingsFile(name="q07.set", sha256_before=DIGEST),
        ),
    ),
    "work_start": (
        {"work": "w1", "although": "the load is low"},
        ask.StartWork(work="w1", although="the load is low"),
    ),
    "work_end": ({"work": "w1"}, ask.EndWork(work="w1")),
    "work_cancel": ({"work": "w1", "why": "rain"}, ask.CancelWork(work="w1", why="rain")),
    "work_close": ({"work": "w1", "why": "done"}, ask.CloseWork(work="w1", why="done")),
    "work_note": (
        {"work": "w1", "note": "tested", "text": "tripped in 18 ms"},
        ask.NoteWork(work="w1", note=NoteKind.TESTED, text="tripped in 18 ms"),
    ),
    "investigation_link": (
        {"investigation": "i1", "work": "w1"},
        ask.LinkInvestigation(investigation="i1", work="w1"),
    ),
    "disposition_give": (
        {"investigation": "i1", "disposition": "repair", "why": "fuse"},
        ask.GiveDisposition(investigation="i1", disposition=Disposition.REPAIR, why="fuse"),
    ),
    "spare_shelve": (
        {**SHELVE, "tested_on": "2026-03-01"},
        ask.ShelveSpare(vendor="Tarn", serNum="9", shelf="B3", tested_on="2026-03-01"),
    ),
    "bulletin_add": (
        {
            "title": "a slow start",
            "severity": "slow_trip",
            "family": "tarn",
            "versions": "vers:x/1",
        },
        ask.AddBulletin(
            title="a slow start", severity=Severity.SLOW_TRIP, family="tarn", versions="vers:x/1"
        ),
    ),
    "bulletin_close": (
        {"bulletin": "b1", "why": "settled"},
        ask.CloseBulletin(bulletin="b1", why="settled"),
    ),
    "evaluation_enter": (
        {"vendor": "Tarn", "found": "nothing"},
        ask.EnterEvaluation(vendor="Tarn", found="nothing"),
    ),
    "exception_give": (
        {"relay": "q07-main1", "until": "2026-09-30", "why": "outage"},
        ask.GiveException(relay="q07-main1", until="2026-09-30", why="outage"),
    ),
    "exception_end": (
        {"exception": "e1", "why": "done"},
        ask.EndException(exception="e1", why="done"),
    ),
    "package_record": (
        PACKAGE,
        ask.RecordPackage(
            file="a.zip",
            size=3,
            sha256=DIGEST,
            rule="tarn",
            version="V2.12",
            signature=Signature.NONE,
            relays=("q07-main1",),
            against=("too small",),
            source="release note",
        ),
    ),
    "spare_remove": (
        {"vendor": "Tarn", "serNum": "9", "why": "sent away"},
        ask.RemoveSpare(vendor="Tarn", serNum="9", why="sent away"),
    ),
}


@pytest.mark.parametrize("op", TYPED)
def test_each_request_comes_through(op: str) -> None:
    args, expected = TYPED[op]
    assert command(op, args) == expected


def test_the_table_above_has_every_request_to_the_book() -> None:
    ours = {op for op, kind in COMMANDS.items() if kind.__module__ == ask.__name__}
    assert ours == TYPED.keys()


LONG = "x" * (limits.REASON_MAX + 1)
REFUSED: dict[str, tuple[str, dict[str, Any], str]] = {
    "nothing said": ("work_add", {}, "work_add: relays"),
    "no relay": ("work_add", {**ADD, "relays": []}, "name 1 to 100 relays"),
    "a kind that is none": ("work_add", {**ADD, "kind": "repaint"}, "work_add: kind"),
    "an attribute that is none": ("work_add", {**ADD, "expects": {"swrev": "1"}}, "swrev: no"),
    "an empty value": ("work_add", {**ADD, "expects": {"swRev": ""}}, "swRev: 1 to 255"),
    "a long value": ("work_add", {**ADD, "expects": {"swRev": "1" * 256}}, "not 256"),
    "nothing expected": ("work_add", {**ADD, "expects": {}}, "at least one attribute"),
    "no offset": ("work_add", {**ADD, "start": "2026-03-02T09:00:00"}, "no offset from UTC"),
    "no offset at the end": ("work_add", {**ADD, "end": "2026-03-02T09:00:00"}, "no offset"),
    "no time at all": ("work_add", {**ADD, "end": "noon"}, "work_add: end"),
    "a day before all days": ("work_add", {**ADD, "start": "0001-01-01T00:00+14:00"}, "no time"),
    "no zone": ("work_add", {**ADD, "zone": " "}, "--zone is needed"),
    "a long reason": ("work_add", {**ADD, "although": LONG}, "at most 500 are kept"),
    "a digest that is none": (
        "work_add",
        {**ADD, "settings": {"name": "a", "sha256_before": "beef"}},
        "64 hexadecimal digits",
    ),
    "another digest that is none": (
        "work_add",
        {**ADD, "settings": {"name": "a", "sha256_before": DIGEST, "sha256_after": DIGEST[:-1]}},
        "64 hexadecimal digits",
    ),
    "settings without a name": (
        "work_add",
        {**ADD, "settings": {"name": "", "sha256_before": DIGEST}},
        "--settings is needed",
    ),
    "a long reviewer": (
        "work_add",
        {**ADD, "settings": {"name": "a", "sha256_before": DIGEST, "reviewed_by": "x" * 81}},
        "at most 80",
    ),
    "work without a name": ("work_end", {"work": ""}, "--work is needed"),
    "cancelled for no reason": ("work_cancel", {"work": "w1", "why": " "}, "--why is needed"),
    "closed for no reason": ("work_close", {"work": "w1", "why": ""}, "--why is needed"),
    "a note that says nothing": (
        "work_note",
        {"work": "w1", "note": "remark", "text": ""},
        "--text is needed",
    ),
    "a note of no kind": ("work_note", {"work": "w1", "note": "x", "text": "y"}, "work_note: note"),
    "a disposition that is none": (
        "disposition_give",
        {"investigation": "i1", "disposition": "fine", "why": "x"},
        "disposition_give: disposition",
    ),
    "a spare without a number": ("spare_shelve", {**SHELVE, "serNum": ""}, "--serNum is needed"),
    "a spare on no shelf": ("spare_shelve", {**SHELVE, "shelf": " "}, "--shelf is needed"),
    "a long shelf": ("spare_shelve", {**SHELVE, "shelf": "x" * 256}, "at most 255"),
    "a bulletin without a title": (
        "bulletin_add",
        {"title": " ", "severity": "slow_trip"},
        "--title is needed",
    ),
    "a severity that is none": (
        "bulletin_add",
        {"title": "x", "severity": "bad"},
        "bulletin_add: severity",
    ),
    "an evaluation of nothing": (
        "evaluation_enter",
        {"vendor": "Tarn", "found": ""},
        "--found is needed",
    ),
    "a package's digest that is none": (
        "package_record",
        {**PACKAGE, "sha256": "beef"},
        "64 hexadecimal digits",
    ),
    "a package of fewer octets than none": (
        "package_record",
        {**PACKAGE, "size": -1},
        "64 hexadecimal digits, its size",
    ),
    "too much against a package": (
        "package_record",
        {**PACKAGE, "against": ["x"] * 51},
        "51 are too many",
    ),
    "an empty word against a package": ("package_record", {**PACKAGE, "against": [""]}, "needed"),
    "a test on no day": ("spare_shelve", {**SHELVE, "tested_on": "May"}, "2026-03-01"),
}


@pytest.mark.parametrize(("op", "args", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_what_makes_no_request_is_refused_with_why(
    op: str, args: dict[str, Any], says: str
) -> None:
    with pytest.raises(Refusal) as refusal:
        command(op, args)
    assert says in str(refusal.value)
