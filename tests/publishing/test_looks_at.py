"""A body that is not made again would say what the last one says: change by change of a relay."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import timedelta
from typing import Any

import pytest

from poller.model.nameplate import Nameplate
from poller.model.standing import Baseline, Firmware, Flag, Manual, Relay
from poller.model.status import Behaviour, Health
from poller.model.work import FirmwareStatus
from poller.publishing.mqtt.topics import FIRMWARE_STATUS, NAMEPLATE, Topic
from poller.publishing.projections import Source
from tests.publishing.world import PLATE, Q07, T0, site

LATER = T0 + timedelta(hours=1)
RELAY = Relay(
    bay="Q07",
    function="main 1",
    address="127.1.0.1:502/255",
    nameplate=PLATE,
    nameplate_since=T0,
    map="tarn",
    answering=True,
)
CHANGES: dict[str, Any] = {
    "bay": "Q08",
    "function": "main 2",
    "address": "127.1.0.2:502/255",
    "listed": False,
    "nameplate": replace(PLATE, swRev="9.9"),
    "nameplate_since": LATER,
    "map": "beck",
    "misfit": Nameplate(vendor="Tarnwick Electric"),
    "baseline": Baseline(nameplate=PLATE, at=T0, by=None, why="as found", reference=None),
    "manual": Manual(values={"swRev": "3.1"}, read_at=T0, by="J. Kral"),
    "flags": {"storage_low": Flag(says="nearly full", since=T0)},
    "health": Health.ALARM,
    "behaviour": Behaviour.TEST,
    "setting_group": 2,
    "answering": False,
    "answering_since": LATER,
    "unreadable_since": LATER,
    "paused": True,
    "seen_day": "2026-03-01",
    "findings": ("block_split",),
    "duplicates": ("q08-main-1",),
    "firmware": {
        "swRev": Firmware(
            status=FirmwareStatus.CURRENT, version="1", target="1", rule="tarn", since=T0
        )
    },
    "settings_changed_at": LATER,
}


def test_every_field_of_a_relay_is_changed() -> None:
    assert CHANGES.keys() == {one.name for one in fields(Relay)}


@pytest.mark.parametrize("field", CHANGES)
@pytest.mark.parametrize("topic", [NAMEPLATE, FIRMWARE_STATUS], ids=lambda topic: topic.name)
def test_what_is_passed_over_changes_no_body(topic: Topic, field: str) -> None:
    projection = topic.projection
    assert projection is not None
    changed = replace(RELAY, **{field: CHANGES[field]})
    before, after = (
        topic.body(Source(site=site(), seq=7), Q07, (one,)) for one in (RELAY, changed)
    )
    same = before.digest == after.digest
    assert same or not projection.is_as_before((RELAY,), (changed,))


@pytest.mark.parametrize("topic", [NAMEPLATE, FIRMWARE_STATUS], ids=lambda topic: topic.name)
def test_a_flag_is_passed_over(topic: Topic) -> None:
    """Else there would be no use in it."""
    projection = topic.projection
    assert projection is not None
    changed = replace(RELAY, flags=CHANGES["flags"])
    assert projection.is_as_before((RELAY,), (changed,))
