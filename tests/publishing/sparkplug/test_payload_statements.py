"""Sparkplug Specification 3.0.0, chapter 6, statement by statement, as an edge node.

Source: the chapter in the specification's public repository, in a state shortly before 3.0.0.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tests.publishing.sparkplug.checks import (
    Check,
    all_said,
    asks_for_rebirth_in_vain,
    begins_at_zero,
    birth_has_bd_seq,
    birth_is_of_its_will,
    births_before_data,
    descriptor_is_its_own,
    each,
    follows_on,
    goes_round,
    has_seq,
    holds,
    is_not_kept,
    no_seq,
    qos_is,
    says_its_death,
    says_when,
    some,
    the_will_comes_once_at_least,
    the_will_is_a_death,
    the_will_is_not_kept,
)
from tests.publishing.sparkplug.lives import Life, recorded
from tests.publishing.sparkplug.peer import DATATYPES, properties_of

BIRTHS = ("NBIRTH", "DBIRTH")
DATA = ("NDATA", "DDATA")


def everything_is_numbered(life: Life) -> None:
    for verb in (*BIRTHS, *DATA, "DDEATH"):
        has_seq(verb)(life)
    no_seq("NDEATH")(life)


def every_metric_has_a_name(life: Life) -> None:
    assert all(one["name"] for said in all_said(life) for one in said.metrics)


def every_metric_says_when(life: Life) -> None:
    for said in some(life, *BIRTHS, *DATA):
        assert all(one["timestamp"] > 10**12 for one in said.metrics), said.topic


def types(life: Life, *verbs: str) -> list[int | None]:
    return [one.get("datatype") for said in some(life, *verbs) for one in said.metrics]


def a_type_has_32_bits(life: Life) -> None:
    assert all(code is not None and 0 < code < 2**32 for code in types(life, *BIRTHS))


def a_type_is_of_the_table(life: Life) -> None:
    """And its value lies in the field that the table gives it."""
    fields = {3: "int_value", 4: "long_value", 11: "boolean_value", 12: "string_value"}
    fields[13] = "long_value"
    for said in some(life, *BIRTHS):
        for one in said.metrics:
            field = DATATYPES[one["datatype"]]["protobuf_field"].split()[0]
            assert field == fields[one["datatype"]]
            assert one.get("is_null") or field in one


def data_names_no_types(life: Life) -> None:
    assert set(types(life, *DATA)) == {None}


def properties(life: Life) -> Iterator[tuple[str, dict[str, Any]]]:
    found = [
        pair
        for said in some(life, *BIRTHS, *DATA)
        for one in said.metrics
        for pair in properties_of(one).items()  # as many keys as values, or it raises
    ]
    assert {"Quality", "Unit", "Values"} <= {key for key, _ in found}
    yield from found


def a_key_for_each_value(life: Life) -> None:
    for said in some(life, *BIRTHS, *DATA):
        for one in said.metrics:
            held = one.get("properties", {})
            assert len(held.get("keys", ())) == len(held.get("values", ()))
    assert list(properties(life))


def a_property_has_a_type(life: Life) -> None:
    assert {value["type"] for _, value in properties(life)} == {3, 12}


def quality(life: Life) -> list[dict[str, Any]]:
    return [value for key, value in properties(life) if key == "Quality"]


def quality_is_signed(life: Life) -> None:
    assert {value["type"] for value in quality(life)} == {3}


def quality_is_a_code(life: Life) -> None:
    """All three came: good, bad, and stale of a relay that fell silent before anybody heard."""
    assert {value["int_value"] for value in quality(life)} == {0, 192, 500}


def the_will_has_the_bd_seq(life: Life) -> None:
    birth_is_of_its_will(life)
    for session in life.sessions:
        assert session.connect.will is not None
        told = {said.payload for said in session.of("NDEATH")}
        assert told == {session.connect.will.payload}


def no_goodbye_without_a_death(life: Life) -> None:
    says_its_death(life)
    assert {session.disconnect for session in life.sessions} == {None}


def goodbye_leaves_the_will(life: Life) -> None:
    """MQTT 5.0, 3.14.2.1: 0x04, disconnect with will message."""
    assert {session.disconnect for session in life.sessions} == {0x04}


CHECKS: dict[str, Check] = {
    "tck-id-payloads-sequence-num-always-included": everything_is_numbered,
    "tck-id-payloads-sequence-num-req-nbirth": begins_at_zero,
    "tck-id-payloads-name-requirement": every_metric_has_a_name,
    "tck-id-payloads-name-birth-data-requirement": every_metric_says_when,
    "tck-id-payloads-metric-datatype-value-type": a_type_has_32_bits,
    "tck-id-payloads-metric-datatype-value": a_type_is_of_the_table,
    "tck-id-payloads-metric-datatype-req": a_type_has_32_bits,
    "tck-id-payloads-metric-datatype-not-req": data_names_no_types,
    "tck-id-payloads-propertyset-keys-array-size": a_key_for_each_value,
    "tck-id-payloads-propertyset-values-array-size": a_key_for_each_value,
    "tck-id-payloads-metric-propertyvalue-type-type": a_property_has_a_type,
    "tck-id-payloads-metric-propertyvalue-type-value": a_property_has_a_type,
    "tck-id-payloads-metric-propertyvalue-type-req": a_property_has_a_type,
    "tck-id-payloads-propertyset-quality-value-type": quality_is_signed,
    "tck-id-payloads-propertyset-quality-value-value": quality_is_a_code,
    "tck-id-payloads-nbirth-timestamp": says_when("NBIRTH"),
    "tck-id-payloads-nbirth-edge-node-descriptor": descriptor_is_its_own,
    "tck-id-payloads-nbirth-seq": begins_at_zero,
    "tck-id-payloads-nbirth-bdseq": birth_has_bd_seq,
    "tck-id-payloads-nbirth-bdseq-repeat": birth_is_of_its_will,
    "tck-id-payloads-nbirth-rebirth-req": asks_for_rebirth_in_vain,
    "tck-id-payloads-nbirth-qos": qos_is("NBIRTH", 0),
    "tck-id-payloads-nbirth-retain": is_not_kept("NBIRTH"),
    "tck-id-payloads-dbirth-timestamp": says_when("DBIRTH"),
    "tck-id-payloads-dbirth-seq": has_seq("DBIRTH"),
    "tck-id-payloads-dbirth-seq-inc": follows_on("DBIRTH"),
    "tck-id-payloads-dbirth-order": births_before_data,
    "tck-id-payloads-dbirth-qos": qos_is("DBIRTH", 0),
    "tck-id-payloads-dbirth-retain": is_not_kept("DBIRTH"),
    "tck-id-payloads-ndata-timestamp": says_when("NDATA"),
    "tck-id-payloads-ndata-seq": has_seq("NDATA"),
    "tck-id-payloads-ndata-seq-inc": follows_on("NDATA"),
    "tck-id-payloads-ndata-order": births_before_data,
    "tck-id-payloads-ndata-qos": qos_is("NDATA", 0),
    "tck-id-payloads-ndata-retain": is_not_kept("NDATA"),
    "tck-id-payloads-ddata-timestamp": says_when("DDATA"),
    "tck-id-payloads-ddata-seq": has_seq("DDATA"),
    "tck-id-payloads-ddata-seq-inc": follows_on("DDATA"),
    "tck-id-payloads-ddata-order": births_before_data,
    "tck-id-payloads-ddata-qos": qos_is("DDATA", 0),
    "tck-id-payloads-ddata-retain": is_not_kept("DDATA"),
    "tck-id-payloads-ndeath-seq": no_seq("NDEATH"),
    "tck-id-payloads-ndeath-will-message": the_will_is_a_death,
    "tck-id-payloads-ndeath-will-message-qos": the_will_comes_once_at_least,
    "tck-id-payloads-ndeath-will-message-retain": the_will_is_not_kept,
    "tck-id-payloads-ndeath-bdseq": the_will_has_the_bd_seq,
    "tck-id-payloads-ndeath-will-message-publisher": says_its_death,
    "tck-id-payloads-ddeath-timestamp": says_when("DDEATH"),
    "tck-id-payloads-ddeath-seq": has_seq("DDEATH"),
    "tck-id-payloads-ddeath-seq-inc": follows_on("DDEATH"),
    "tck-id-payloads-ddeath-seq-number": has_seq("DDEATH"),
}
ONLY_311: dict[str, Check] = {
    "tck-id-payloads-ndeath-will-message-publisher-disconnect-mqtt311": no_goodbye_without_a_death,
}
ONLY_5: dict[str, Check] = {
    "tck-id-payloads-sequence-num-incrementing": goes_round,
    "tck-id-payloads-ndeath-will-message-publisher-disconnect-mqtt50": goodbye_leaves_the_will,
}


@each((CHECKS, ("5", "3.1.1")), (ONLY_311, ("3.1.1",)), (ONLY_5, ("5",)))
def test_it_does_what_is_demanded(tck_id: str, check: Check, life: str) -> None:
    holds(tck_id, check, recorded(life))
