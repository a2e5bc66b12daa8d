"""What several statements of the Sparkplug specification ask of a recorded life."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any, Final

import pytest

from poller.publishing.sparkplug.output import open_output
from tests.publishing.sparkplug.lives import Life
from tests.publishing.sparkplug.peer import Said, rows, value_of
from tests.publishing.world import Q07, Q08, T0, House, site

DEVICE_VERBS = {"DBIRTH", "DDATA", "DDEATH"}
NODE_VERBS = {"NBIRTH", "NDATA", "NDEATH"}
PREFIX = "spBv1.0/tarn-hill"
Check = Callable[[Life], None]
DEMANDS: Final = {row["tck_id"]: row for row in rows("sparkplug_demands.csv")}
NOW_MS = int(T0.timestamp() * 1000)  # the clock of a House stands still


def each(*groups: tuple[dict[str, Check], tuple[str, ...]]) -> pytest.MarkDecorator:
    """One test for each statement, on each recording that it is held against."""
    cases = [
        pytest.param(tck_id, check, life, id=f"{tck_id}-on-{life}")
        for checks, on in groups
        for tck_id, check in checks.items()
        for life in on
    ]
    return pytest.mark.parametrize(("tck_id", "check", "life"), cases)


def holds(tck_id: str, check: Check, life: Life) -> None:
    """What is demanded stands beside what was found."""
    try:
        check(life)
    except AssertionError as found:
        raise AssertionError(f"{DEMANDS[tck_id]['demand_or_reason']}: {found}") from found


def all_said(life: Life) -> list[Said]:
    """The wills too."""
    wills = [one.connect.will for one in life.sessions if one.connect.will]
    return wills + [said for session in life.sessions for said in session.said]


def some(life: Life, *verbs: str) -> list[Said]:
    """Those of these verbs; at least one of each, else a check of them shows nothing."""
    found = [said for said in all_said(life) if said.verb in verbs]
    assert {said.verb for said in found} == set(verbs)
    return found


def topic_is(verb: str) -> Check:
    def check(life: Life) -> None:
        devices = {"": [""], "D": [f"/{Q07}", f"/{Q08}"]}["D" if verb in DEVICE_VERBS else ""]
        allowed = {f"{PREFIX}/{verb}/poller{device}" for device in devices}
        assert {said.topic for said in some(life, verb)} <= allowed

    return check


def goes_out_once_and_is_not_kept(verb: str) -> Check:
    """Quality of service 0, not retained."""

    def check(life: Life) -> None:
        assert {(said.qos, said.retain) for said in some(life, verb)} == {(0, False)}

    return check


def qos_is(verb: str, qos: int) -> Check:
    def check(life: Life) -> None:
        assert {said.qos for said in some(life, verb)} == {qos}

    return check


def is_not_kept(verb: str) -> Check:
    def check(life: Life) -> None:
        assert not any(said.retain for said in some(life, verb))

    return check


def says_when(verb: str) -> Check:
    """The payload's timestamp, in ms UTC."""

    def check(life: Life) -> None:
        assert {said.body["timestamp"] for said in some(life, verb)} == {NOW_MS}

    return check


def has_seq(verb: str) -> Check:
    def check(life: Life) -> None:
        assert all(0 <= said.body["seq"] <= 255 for said in some(life, verb))

    return check


def begins_at_zero(life: Life) -> None:
    assert {said.body["seq"] for said in some(life, "NBIRTH")} == {0}


def follows_on(verb: str) -> Check:
    """One more than the message before, over all verbs and devices; 0 after 255."""

    def check(life: Life) -> None:
        some(life, verb)
        for session in life.sessions:
            numbered = [said for said in session.said if said.verb != "NDEATH"]
            for before, said in pairwise(numbered):
                if said.verb == verb:
                    assert said.body["seq"] == (before.body["seq"] + 1) % 256, said.topic

    return check


def goes_round(life: Life) -> None:
    """Follows on, for every verb; and it really came to 255 and to 0 again, without a birth."""
    for verb in ("DBIRTH", "NDATA", "DDATA", "DDEATH"):
        follows_on(verb)(life)
    seqs = [said.body["seq"] for said in life.first.said if said.verb != "NDEATH"]
    assert 255 in seqs
    assert seqs[seqs.index(255) + 1] == 0
    assert life.first.said[seqs.index(255) + 1].verb != "NBIRTH"


def no_seq(verb: str) -> Check:
    def check(life: Life) -> None:
        assert not any("seq" in said.body for said in some(life, verb))

    return check


def metric(said: Said, name: str) -> dict[str, Any]:
    (found,) = (one for one in said.metrics if one["name"] == name)
    return found


def bd_seqs(life: Life) -> list[tuple[int, set[int]]]:
    """Of each session, that of its will and those of its births."""
    found = []
    for session in life.sessions:
        assert session.connect.will is not None
        births = {value_of(metric(said, "bdSeq")) for said in session.of("NBIRTH")}
        found.append((value_of(metric(session.connect.will, "bdSeq")), births))
    return found


def birth_is_of_its_will(life: Life) -> None:
    assert all(births == {will} for will, births in bd_seqs(life))


def bd_seq_counts_up(life: Life) -> None:
    wills = [will for will, _ in bd_seqs(life)]
    assert wills == list(range(len(wills)))
    assert len(wills) > 1


def asks_for_rebirth_in_vain(life: Life) -> None:
    """The metric by which a host asks: a boolean, false, without an alias."""
    for said in some(life, "NBIRTH"):
        found = metric(said, "Node Control/Rebirth")
        assert (found["datatype"], found["boolean_value"]) == (11, False)
        assert "alias" not in found


def names_types_and_values(verb: str) -> Check:
    def check(life: Life) -> None:
        for said in some(life, verb):
            for one in said.metrics:
                assert one["name"]
                assert one["datatype"] > 0
                value_of(one)  # exactly one, or null and none

    return check


def everything_is_born(birth: str, data: str) -> Check:
    """What is told later was in the last birth of its node or device, and of that type."""

    def check(life: Life) -> None:
        some(life, birth, data)
        for session in life.sessions:
            born: dict[str, set[str]] = {}
            for said in session.said:
                names = {one["name"] for one in said.metrics}
                if said.verb == birth:
                    born[said.device] = names
                elif said.verb == data:
                    assert names <= born[said.device], said.topic

    return check


def only_what_changed(birth: str, data: str) -> Check:
    """A live value is told when it is another than the one told last."""

    def check(life: Life) -> None:
        some(life, birth, data)
        for session in life.sessions:
            last: dict[tuple[str, str], Any] = {}
            for said in session.said:
                for one in said.metrics:
                    key, told = (said.device, one["name"]), (value_of(one), one.get("properties"))
                    if said.verb == data and not one.get("is_historical"):
                        assert last[key] != told, (said.topic, one)
                    if said.verb in (birth, data) and not one.get("is_historical"):
                        last[key] = told

    return check


def in_order_of_time(*verbs: str) -> Check:
    def check(life: Life) -> None:
        for said in some(life, *verbs):
            times = [one["timestamp"] for one in said.metrics if not one.get("is_historical")]
            assert times == sorted(times), said.topic

    return check


def births_before_data(life: Life) -> None:
    """In each sequence of births the node first, then every device that lives, then data."""
    for session in life.sessions:
        verbs = [said.verb for said in session.said]
        for at, verb in enumerate(verbs):
            if verb == "NBIRTH":
                assert verbs[at + 1 : at + 2] == ["DBIRTH"]
                data = next(n for n in range(at, len(verbs)) if verbs[n] in ("NDATA", "DDATA"))
                assert set(verbs[at + 1 : data]) == {"DBIRTH"}
    assert [said.device for said in life.first.said[1:3]] == [Q07, Q08]


def will(life: Life) -> list[Said]:
    wills = [session.connect.will for session in life.sessions]
    assert all(wills)
    return [one for one in wills if one is not None]


def the_will_is_a_death(life: Life) -> None:
    assert {one.topic for one in will(life)} == {f"{PREFIX}/NDEATH/poller"}


def the_will_comes_once_at_least(life: Life) -> None:
    assert {one.qos for one in will(life)} == {1}


def the_will_is_not_kept(life: Life) -> None:
    assert not any(one.retain for one in will(life))


def says_its_death(life: Life) -> None:
    for session in life.sessions:
        assert [said.verb for said in session.said].index("NDEATH") == len(session.said) - 1


def descriptor_is_its_own(life: Life) -> None:
    """Sites differ in their group; of two pollers of a site, one has another node in its file."""
    descriptors = []
    for settings in ({}, {"node": "poller-2"}, {"group": "north"}):
        context = House().context(site({"host": "h"}), name="sparkplug", **settings)
        descriptors.append(open_output(context)._topic("NBIRTH"))
    assert len(set(descriptors)) == 3
    assert {said.topic for said in some(life, "NBIRTH")} == {descriptors[0]}


def birth_has_bd_seq(life: Life) -> None:
    for said in some(life, "NBIRTH"):
        assert metric(said, "bdSeq")["datatype"] == 4
    assert bd_seqs(life)
