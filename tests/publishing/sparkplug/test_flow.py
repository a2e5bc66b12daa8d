"""Sparkplug Specification 3.0.0, chapter 5, statement by statement, as an edge node.

Source: the chapter in the specification's public repository; what it demands is said here in our
own words. `host` is the recording in which a primary host comes and goes.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from poller.model import limits
from tests.publishing.sparkplug.checks import (
    PREFIX,
    Check,
    all_said,
    asks_for_rebirth_in_vain,
    begins_at_zero,
    births_before_data,
    each,
    everything_is_born,
    follows_on,
    holds,
    in_order_of_time,
    is_not_kept,
    metric,
    names_types_and_values,
    only_what_changed,
    qos_is,
    says_its_death,
    some,
    the_will_comes_once_at_least,
    the_will_is_a_death,
    the_will_is_not_kept,
    topic_is,
    will,
)
from tests.publishing.sparkplug.lives import (
    NODE,
    Life,
    Protocol,
    command,
    recorded,
    scene,
    two_relays,
)
from tests.publishing.world import Q07, Q08, changed

HOST = ("host",)
STATE = "spBv1.0/STATE/control"


def ids_differ_in_more_than_case(life: Life) -> None:
    ids = {"tarn-hill", "poller", Q07, Q08}
    assert {part for said in all_said(life) for part in (*said.levels[1::2], said.device)} <= {
        *ids,
        "",
    }
    assert len({one.casefold() for one in ids}) == len(ids)


def names_differ_in_more_than_case(life: Life) -> None:
    for said in some(life, "NBIRTH", "DBIRTH"):
        names = [one["name"].casefold() for one in said.metrics]
        assert len(set(names)) == len(names)


def hears_commands_before_it_is_born(life: Life) -> None:
    for session in life.sessions:
        assert (f"{PREFIX}/NCMD/poller", 1) in session.subscribed
        assert session.subscribed_before == 0


def a_connection_stands_first(life: Life) -> None:
    """Each recording of a connection begins with its CONNECT, or it could not be read."""
    assert all(session.said[0].verb == "NBIRTH" for session in life.sessions)


def there_is_a_will(life: Life) -> None:
    assert len(will(life)) == len(life.sessions) > 1


def the_will_is_a_payload(life: Life) -> None:
    assert all(metric(one, "bdSeq")["datatype"] == 4 for one in will(life))


def nothing_before_the_host(life: Life) -> None:
    assert life.marks["waited"] == life.marks["away"] == 0
    assert all(session.said[0].verb == "NBIRTH" for session in life.sessions)


def another_host_is_not_it(life: Life) -> None:
    """While it waited, another host was online, with a newer word."""
    nothing_before_the_host(life)
    assert {topic for one in life.sessions for topic, _ in one.subscribed if "STATE" in topic} == {
        STATE
    }


def an_older_word_is_not_heard(life: Life) -> None:
    """Online at 999, after offline at 1,000; then online at 2,000."""
    assert life.marks["older word"] == 0
    assert life.marks["online"] > 0


def goes_with_its_host(life: Life) -> None:
    first = life.first
    assert first.said[-1].verb == "NDEATH"
    assert [one.verb for one in first.said].count("NDEATH") == 1
    assert len(life.sessions) == 2


def an_older_end_is_none(life: Life) -> None:
    """Offline at 1,999, after online at 2,000: data went on."""
    went = life.between("online", "older end")
    assert "NDEATH" not in {said.verb for said in went}
    assert {"NDATA"} <= {said.verb for said in went}


def hears_the_host(life: Life) -> None:
    assert all((STATE, 1) in session.subscribed for session in life.sessions)


def one_at_a_time(life: Life) -> None:
    assert len(life.sessions) > 1
    assert life.at_once == 1


def births_are_payloads(verb: str) -> Check:
    def check(life: Life) -> None:
        assert all(said.body["metrics"] for said in some(life, verb))

    return check


def leaves_after_its_death(life: Life) -> None:
    """MQTT 5 knows a goodbye after which the will is told; over 3.1.1 none is said."""
    says_its_death(life)
    reasons = {session.disconnect for session in life.sessions}
    assert reasons == ({0x04} if life.protocol == "5" else {None})


def a_device_after_its_node(life: Life) -> None:
    births_before_data(life)


def of_the_same_node(life: Life) -> None:
    for session in life.sessions:
        (node,) = {tuple(said.levels[1:4:2]) for said in session.of("NBIRTH")}
        assert {tuple(said.levels[1:4:2]) for said in session.of("DBIRTH")} == {node}


def silence_is_a_death(life: Life) -> None:
    """In the recording q08 falls silent, answers, and is listed no more."""
    course = [said.verb for said in life.first.said if said.device == Q08 and said.verb != "DDATA"]
    assert course[-4:] == ["DBIRTH", "DDEATH", "DBIRTH", "DDEATH"]
    assert {said.device for said in some(life, "DDEATH")} == {Q08}


def births_follow_the_request(life: Life) -> None:
    after = life.first.said[life.marks["asked"] :]
    assert [(said.verb, said.device) for said in after[:3]] == [
        ("NBIRTH", ""),
        ("DBIRTH", Q07),
        ("DBIRTH", Q08),
    ]


def the_same_bd_seq_again(life: Life) -> None:
    births_follow_the_request(life)
    first, again = life.first.of("NBIRTH")
    assert metric(first, "bdSeq") == metric(again, "bdSeq")


CHECKS: dict[str, Check] = {
    "tck-id-case-sensitivity-sparkplug-ids": ids_differ_in_more_than_case,
    "tck-id-case-sensitivity-metric-names": names_differ_in_more_than_case,
    "tck-id-message-flow-edge-node-ncmd-subscribe": hears_commands_before_it_is_born,
    "tck-id-message-flow-edge-node-birth-publish-connect": a_connection_stands_first,
    "tck-id-message-flow-edge-node-birth-publish-will-message": there_is_a_will,
    "tck-id-message-flow-edge-node-birth-publish-will-message-topic": the_will_is_a_death,
    "tck-id-message-flow-edge-node-birth-publish-will-message-payload": the_will_is_a_payload,
    "tck-id-message-flow-edge-node-birth-publish-will-message-qos": the_will_comes_once_at_least,
    "tck-id-message-flow-edge-node-birth-publish-will-message-will-retained": the_will_is_not_kept,
    "tck-id-message-flow-edge-node-birth-publish-nbirth-topic": topic_is("NBIRTH"),
    "tck-id-message-flow-edge-node-birth-publish-nbirth-payload": births_are_payloads("NBIRTH"),
    "tck-id-message-flow-edge-node-birth-publish-nbirth-qos": qos_is("NBIRTH", 0),
    "tck-id-message-flow-edge-node-birth-publish-nbirth-retained": is_not_kept("NBIRTH"),
    "tck-id-message-flow-edge-node-birth-publish-nbirth-payload-seq": begins_at_zero,
    "tck-id-operational-behavior-edge-node-intentional-disconnect-ndeath": says_its_death,
    "tck-id-operational-behavior-edge-node-intentional-disconnect-packet": leaves_after_its_death,
    "tck-id-message-flow-device-birth-publish-nbirth-wait": a_device_after_its_node,
    "tck-id-message-flow-device-birth-publish-dbirth-topic": topic_is("DBIRTH"),
    "tck-id-message-flow-device-birth-publish-dbirth-match-edge-node-topic": of_the_same_node,
    "tck-id-message-flow-device-birth-publish-dbirth-payload": births_are_payloads("DBIRTH"),
    "tck-id-message-flow-device-birth-publish-dbirth-qos": qos_is("DBIRTH", 0),
    "tck-id-message-flow-device-birth-publish-dbirth-retained": is_not_kept("DBIRTH"),
    "tck-id-message-flow-device-birth-publish-dbirth-payload-seq": follows_on("DBIRTH"),
    "tck-id-operational-behavior-device-ddeath": silence_is_a_death,
    "tck-id-operational-behavior-data-publish-nbirth": everything_is_born("NBIRTH", "NDATA"),
    "tck-id-operational-behavior-data-publish-nbirth-values": names_types_and_values("NBIRTH"),
    "tck-id-operational-behavior-data-publish-nbirth-change": only_what_changed("NBIRTH", "NDATA"),
    "tck-id-operational-behavior-data-publish-nbirth-order": in_order_of_time("NBIRTH", "NDATA"),
    "tck-id-operational-behavior-data-publish-dbirth": everything_is_born("DBIRTH", "DDATA"),
    "tck-id-operational-behavior-data-publish-dbirth-values": names_types_and_values("DBIRTH"),
    "tck-id-operational-behavior-data-publish-dbirth-change": only_what_changed("DBIRTH", "DDATA"),
    "tck-id-operational-behavior-data-publish-dbirth-order": in_order_of_time("DBIRTH", "DDATA"),
    "tck-id-operational-behavior-data-commands-rebirth-name": asks_for_rebirth_in_vain,
    "tck-id-operational-behavior-data-commands-rebirth-name-aliases": asks_for_rebirth_in_vain,
    "tck-id-operational-behavior-data-commands-rebirth-datatype": asks_for_rebirth_in_vain,
    "tck-id-operational-behavior-data-commands-rebirth-value": asks_for_rebirth_in_vain,
    "tck-id-operational-behavior-data-commands-rebirth-action-1": births_follow_the_request,
    "tck-id-operational-behavior-data-commands-rebirth-action-2": births_follow_the_request,
    "tck-id-operational-behavior-data-commands-rebirth-action-3": the_same_bd_seq_again,
}
HOST_CHECKS: dict[str, Check] = {
    "tck-id-message-flow-edge-node-birth-publish-phid-wait": nothing_before_the_host,
    "tck-id-message-flow-edge-node-birth-publish-phid-wait-id": another_host_is_not_it,
    "tck-id-message-flow-edge-node-birth-publish-phid-wait-online": nothing_before_the_host,
    "tck-id-message-flow-edge-node-birth-publish-phid-wait-timestamp": an_older_word_is_not_heard,
    "tck-id-message-flow-edge-node-birth-publish-phid-offline": goes_with_its_host,
    "tck-id-operational-behavior-edge-node-termination-host-offline": goes_with_its_host,
    "tck-id-operational-behavior-edge-node-termination-host-offline-reconnect": goes_with_its_host,
    "tck-id-operational-behavior-edge-node-termination-host-offline-timestamp": (
        an_older_end_is_none
    ),
    "tck-id-operational-behavior-primary-application-state-with-multiple-servers-state-subs": (
        hears_the_host
    ),
    "tck-id-operational-behavior-edge-node-birth-sequence-wait": nothing_before_the_host,
}
ON_ALL: dict[str, Check] = {
    "tck-id-operational-behavior-primary-application-state-with-multiple-servers-single-server": (
        one_at_a_time
    ),
}


@each((CHECKS, ("5", "3.1.1")), (HOST_CHECKS, HOST), (ON_ALL, ("5", "3.1.1", "host")))
def test_it_does_what_is_demanded(tck_id: str, check: Check, life: str) -> None:
    holds(tck_id, check, recorded(life))


# What is no request for births. The host sends it; the node tells it from one.

REQUESTS = {
    "tck-id-operational-behavior-data-commands-ncmd-rebirth-verb": (
        f"{PREFIX}/DCMD/poller/{Q07}",
        command(),
    ),
    "tck-id-operational-behavior-data-commands-ncmd-rebirth-name": (
        NODE.format("NCMD"),
        command(b"Node Control/Reboot"),
    ),
    "tck-id-operational-behavior-data-commands-ncmd-rebirth-value": (
        NODE.format("NCMD"),
        command(value=False),
    ),
}


@pytest.mark.parametrize("tck_id", REQUESTS)
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_what_is_no_request_is_not_followed(
    tck_id: str, protocol: Protocol, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "SPARKPLUG_REBIRTH_REST_S", 0.0)
    topic, payload = REQUESTS[tck_id]
    async with scene(tmp_path, protocol) as one:
        await two_relays(one)
        async with one.running():
            await one.told()
            for _ in range(3):
                one.send(topic, payload)
                await one.commit(changed("2.0"))
            assert len(one.tap.now.of("NBIRTH")) == 1
            one.send(NODE.format("NCMD"), command())
            await one.sends(lambda now: len(now.of("NBIRTH")) == 2)
