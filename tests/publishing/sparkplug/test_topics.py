"""Sparkplug Specification 3.0.0, chapters 1, 2 and 4, statement by statement, as an edge node.

Source: the chapters in the specification's public repository, chapter 4 in a state shortly before
3.0.0; what they demand is said here in our own words.
"""

from __future__ import annotations

from tests.publishing.sparkplug.checks import (
    DEVICE_VERBS,
    NODE_VERBS,
    Check,
    all_said,
    asks_for_rebirth_in_vain,
    bd_seq_counts_up,
    begins_at_zero,
    birth_has_bd_seq,
    birth_is_of_its_will,
    descriptor_is_its_own,
    each,
    everything_is_born,
    follows_on,
    goes_out_once_and_is_not_kept,
    holds,
    names_types_and_values,
    no_seq,
    only_what_changed,
    says_when,
    some,
    topic_is,
)
from tests.publishing.sparkplug.lives import Life, recorded
from tests.publishing.world import Q07, Q08


def level_is_text(at: int, expected: set[str]) -> Check:
    """MQTT 5.0, 4.7.1 and 4.7.3: a level of a topic has no + # / nor the null character."""

    def check(life: Life) -> None:
        found = {said.levels[at] for said in all_said(life) if len(said.levels) > at}
        assert found == expected
        assert not any(set(text) & set("+#/\0") for text in found)

    return check


def nothing_while_nothing_changes(life: Life) -> None:
    assert life.between("settled", "quiet") == []


def birth_is_first(life: Life) -> None:
    assert {session.said[0].verb for session in life.sessions} == {"NBIRTH"}


def session_is_clean(life: Life) -> None:
    for session in life.sessions:
        assert session.connect.protocol == life.protocol
        assert session.connect.clean


def session_ends_with_its_connection(life: Life) -> None:
    session_is_clean(life)
    for session in life.sessions:
        assert dict(session.connect.properties)["Session Expiry Interval"] == 0


def levels_stand_in_order(life: Life) -> None:
    for said in all_said(life):
        expected = ["spBv1.0", "tarn-hill", said.verb, "poller"]
        assert said.levels == expected + ([said.device] if said.device else [])


def devices_are_relays(life: Life) -> None:
    """Relays have ids that a site holds once."""
    assert {said.device for said in some(life, *DEVICE_VERBS)} == {Q07, Q08}


def no_device(life: Life) -> None:
    assert all(said.device == "" for said in some(life, *NODE_VERBS))


def death_says_only_bd_seq(life: Life) -> None:
    for said in some(life, "NDEATH"):
        assert [one["name"] for one in said.metrics] == ["bdSeq"]


def hears_commands_there(life: Life) -> None:
    for session in life.sessions:
        assert "spBv1.0/tarn-hill/NCMD/poller" in dict(session.subscribed)


GROUP = level_is_text(1, {"tarn-hill"})
NODE = level_is_text(3, {"poller"})
DEVICE = level_is_text(4, {Q07, Q08})

CHECKS: dict[str, Check] = {
    "tck-id-intro-group-id-string": GROUP,
    "tck-id-intro-group-id-chars": GROUP,
    "tck-id-intro-edge-node-id-string": NODE,
    "tck-id-intro-edge-node-id-chars": NODE,
    "tck-id-intro-device-id-string": DEVICE,
    "tck-id-intro-device-id-chars": DEVICE,
    "tck-id-intro-edge-node-id-uniqueness": descriptor_is_its_own,
    "tck-id-principles-rbe-recommended": nothing_while_nothing_changes,
    "tck-id-principles-birth-certificates-order": birth_is_first,
    "tck-id-topic-structure": levels_stand_in_order,
    "tck-id-topic-structure-namespace-a": level_is_text(0, {"spBv1.0"}),
    "tck-id-topic-structure-namespace-valid-group-id": GROUP,
    "tck-id-topic-structure-namespace-unique-edge-node-descriptor": descriptor_is_its_own,
    "tck-id-topic-structure-namespace-valid-edge-node-id": NODE,
    "tck-id-topic-structure-namespace-valid-device-id": DEVICE,
    "tck-id-topic-structure-namespace-unique-device-id": devices_are_relays,
    "tck-id-topic-structure-namespace-device-id-associated-message-types": devices_are_relays,
    "tck-id-topic-structure-namespace-device-id-non-associated-message-types": no_device,
    "tck-id-topics-nbirth-topic": topic_is("NBIRTH"),
    "tck-id-topics-nbirth-mqtt": goes_out_once_and_is_not_kept("NBIRTH"),
    "tck-id-topics-nbirth-seq-num": begins_at_zero,
    "tck-id-topics-nbirth-timestamp": says_when("NBIRTH"),
    "tck-id-topics-nbirth-metric-reqs": everything_is_born("NBIRTH", "NDATA"),
    "tck-id-topics-nbirth-metrics": names_types_and_values("NBIRTH"),
    "tck-id-topics-nbirth-bdseq-included": birth_has_bd_seq,
    "tck-id-topics-nbirth-bdseq-matching": birth_is_of_its_will,
    "tck-id-topics-nbirth-bdseq-increment": bd_seq_counts_up,
    "tck-id-topics-nbirth-rebirth-metric": asks_for_rebirth_in_vain,
    "tck-id-topics-ndata-topic": topic_is("NDATA"),
    "tck-id-topics-ndata-mqtt": goes_out_once_and_is_not_kept("NDATA"),
    "tck-id-topics-ndata-seq-num": follows_on("NDATA"),
    "tck-id-topics-ndata-timestamp": says_when("NDATA"),
    "tck-id-topics-ndata-payload": only_what_changed("NBIRTH", "NDATA"),
    "tck-id-topics-ndeath-topic": topic_is("NDEATH"),
    "tck-id-topics-ndeath-payload": death_says_only_bd_seq,
    "tck-id-topics-ndeath-seq": no_seq("NDEATH"),
    "tck-id-topics-ncmd-topic": hears_commands_there,
    "tck-id-topics-dbirth-topic": topic_is("DBIRTH"),
    "tck-id-topics-dbirth-mqtt": goes_out_once_and_is_not_kept("DBIRTH"),
    "tck-id-topics-dbirth-seq": follows_on("DBIRTH"),
    "tck-id-topics-dbirth-timestamp": says_when("DBIRTH"),
    "tck-id-topics-dbirth-metric-reqs": everything_is_born("DBIRTH", "DDATA"),
    "tck-id-topics-dbirth-metrics": names_types_and_values("DBIRTH"),
    "tck-id-topics-ddata-topic": topic_is("DDATA"),
    "tck-id-topics-ddata-mqtt": goes_out_once_and_is_not_kept("DDATA"),
    "tck-id-topics-ddata-seq-num": follows_on("DDATA"),
    "tck-id-topics-ddata-timestamp": says_when("DDATA"),
    "tck-id-topics-ddata-payload": only_what_changed("DBIRTH", "DDATA"),
    "tck-id-topics-ddeath-topic": topic_is("DDEATH"),
    "tck-id-topics-ddeath-mqtt": goes_out_once_and_is_not_kept("DDEATH"),
    "tck-id-topics-ddeath-seq-num": follows_on("DDEATH"),
}
ONLY_311: dict[str, Check] = {
    "tck-id-principles-persistence-clean-session-311": session_is_clean,
}
ONLY_5: dict[str, Check] = {
    "tck-id-principles-persistence-clean-session-50": session_ends_with_its_connection,
}


@each((CHECKS, ("5", "3.1.1")), (ONLY_311, ("3.1.1",)), (ONLY_5, ("5",)))
def test_it_does_what_is_demanded(tck_id: str, check: Check, life: str) -> None:
    holds(tck_id, check, recorded(life))
