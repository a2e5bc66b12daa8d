"""The inventory and its files, against CycloneDX's own schemas and library."""

from __future__ import annotations

import csv
import io
import json
import uuid
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from cyclonedx.model.bom import Bom
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from poller.answers.cyclonedx import Spec
from poller.answers.inventory import AsOf, Inventory, inventory
from poller.answers.inventory_files import Format, written
from poller.model.nameplate import Component, Nameplate
from poller.model.standing import Relay, State
from poller.model.work import Asset, asset_key
from poller.publishing.schema import schemas
from tests.answers.work_world import BUSY, HOSTILE, looks_of_its_own, texts
from tests.answers.world import NOW

UP_TO = AsOf(seq=100, hash="5e" * 32, at=NOW)
TOLD = inventory(BUSY, UP_TO)
VALIDATORS = {
    Spec.V1_6: JsonStrictValidator(SchemaVersion.V1_6),
    Spec.V1_7: JsonStrictValidator(SchemaVersion.V1_7),
}


def bytes_of(told: Inventory, format_: Format, spec: Spec = Spec.V1_6) -> bytes:
    return written(told, format_, spec, "0.1.0")


def bom(told: Inventory, spec: Spec = Spec.V1_6) -> Any:
    return json.loads(bytes_of(told, Format.CYCLONEDX, spec))


def every_component(told: Any) -> Iterator[Any]:
    for one in told.get("components", ()):
        yield one
        yield from every_component(one)


def of(told: Any, ref: str) -> Any:
    return next(one for one in every_component(told) if one["bom-ref"] == ref)


def properties(component: Any) -> dict[str, str]:
    return {one["name"]: one["value"] for one in component["properties"]}


TEXT = st.none() | st.text(max_size=20) | st.sampled_from((HOSTILE, "=1+1", "a/b", "\ud800"))
NAMES = st.lists(st.text(min_size=1, max_size=8), max_size=3, unique=True).map(sorted)
PLATES = st.builds(
    lambda own, names, version: Nameplate(
        **own, components=tuple(Component(name=name, **version) for name in names)
    ),
    st.fixed_dictionaries(
        dict.fromkeys(("vendor", "model", "serNum", "hwRev", "swRev", "orderCode"), TEXT)
    ),
    NAMES,
    st.fixed_dictionaries({"hwRev": TEXT, "swRev": TEXT}),
)
SPARES = st.builds(
    lambda vendor, serial, model, shelf: Asset(
        vendor=vendor, serNum=serial, model=model, places=((NOW, f"shelf: {shelf}"),)
    ),
    *(st.text(max_size=8) | st.sampled_from((HOSTILE, "a/b", "\ud800")) for _ in range(4)),
)


@st.composite
def states(draw: st.DrawFn) -> State:
    plates = draw(st.lists(st.none() | PLATES, max_size=4))
    relays = {
        f"q{at}": Relay(bay=draw(st.text(max_size=5)), function="main", address="h", nameplate=one)
        for at, one in enumerate(plates)
    }
    spares = draw(st.lists(SPARES, max_size=4))
    assets = {asset_key(one.vendor, one.serNum): one for one in spares}
    return State(seq=1, site="hollin", relays=relays, assets=assets)


@pytest.mark.parametrize("spec", Spec)
@settings(max_examples=30, deadline=None)
@given(state=states())
def test_whatever_relays_tell_the_document_is_one_of_its_schema(spec: Spec, state: State) -> None:
    """The schemas are those of CycloneDX's specification, formats of dates and addresses too."""
    fault = VALIDATORS[spec].validate_str(
        bytes_of(inventory(state, UP_TO), Format.CYCLONEDX, spec).decode()
    )
    assert fault is None, str(fault)


@settings(max_examples=100, deadline=None)
@given(state=states())
def test_no_two_components_have_one_name_in_the_document(state: State) -> None:
    """Every bom-ref must be unique within the BOM: the schema's description."""
    refs = Counter(one["bom-ref"] for one in every_component(bom(inventory(state, UP_TO))))
    assert set(refs.values()) <= {1}


@settings(max_examples=100, deadline=None)
@given(state=states())
def test_nothing_that_relays_tell_has_no_look_of_its_own(state: State) -> None:
    told = inventory(state, UP_TO)
    for one in (bom(told), json.loads(bytes_of(told, Format.JSON))):
        assert all(map(looks_of_its_own, texts(one)))


def test_the_schema_would_notice() -> None:
    broken = {**bom(TOLD), "components": [{"type": "relay", "name": "x"}]}
    assert VALIDATORS[Spec.V1_6].validate_str(json.dumps(broken)) is not None


def test_the_library_of_cyclonedx_reads_the_same_devices_and_firmware() -> None:
    read = Bom.from_json(bom(TOLD))
    found = {
        (device.name, firmware.name, firmware.version)
        for device in read.components
        for firmware in device.components
    }
    assert found == {
        ("TD-40", "main firmware", "V2.11.00"),  # read
        ("TD-40", "boot", "1.5"),
        ("not told", "main firmware", "B"),  # entered by hand
        ("TD-40", "main firmware", "V2.12.00"),  # a spare
    }


def test_positions_stand_as_people_count_and_then_spares() -> None:
    assert [box.ref for box in TOLD.boxes] == [
        "relay:q2-bay",
        "relay:q07-main1",
        "relay:q07-main2",
        "relay:q10-main1",
        "spare:Tarn/40391",
        "spare:Fell/40391",
    ]


def test_a_device_says_what_it_is_and_where() -> None:
    device = of(bom(TOLD), "relay:q07-main1")
    assert (device["type"], device["name"]) == ("device", "TD-40")
    assert device["manufacturer"] == {"name": "Tarn"}
    assert properties(device) == {
        "cdx:device:serialNumber": "40117",
        "bayroll:orderCode": "TD40-A",
        "bayroll:relay": "q07-main1",
        "bayroll:bay": "Q07",
        "bayroll:function": "main 1",
        "bayroll:source": "read",
        "bayroll:baseline": "differs",
    }


def test_firmware_says_how_it_stands_against_the_list() -> None:
    boot = of(bom(TOLD), "relay:q07-main1/components.boot")
    assert properties(boot)["bayroll:firmware:status"] == "withdrawn"


def test_a_spare_says_where_it_lies_and_when_it_was_tested() -> None:
    told = properties(of(bom(TOLD), "spare:Tarn/40391"))
    assert (told["bayroll:shelf"], told["bayroll:testedOn"]) == ("A3", "2026-02-11")


def test_a_position_of_which_nothing_is_known_is_in_it() -> None:
    assert properties(of(bom(TOLD), "relay:q2-bay"))["bayroll:source"] == "none"


def test_a_part_without_firmware_is_a_device_in_the_device() -> None:
    plate = Nameplate(components=(Component(name="card", hwRev="B"), Component(name="slot")))
    relay = Relay(bay="Q1", function="main", address="h", nameplate=plate)
    found = bom(inventory(State(seq=1, relays={"q1": relay}), UP_TO))["components"][0]
    assert [(one["type"], one["name"], one["version"]) for one in found["components"]] == [
        ("device", "card", "B")
    ]


def test_the_serial_number_is_a_uuid_made_from_a_name() -> None:
    """RFC 9562, 5.5: version 5."""
    assert uuid.UUID(bom(TOLD)["serialNumber"]).version == 5


OTHERS = {
    "another site": inventory(replace(BUSY, site="fell"), UP_TO),
    "another journal": inventory(BUSY, replace(UP_TO, hash="00" * 32)),
}


@pytest.mark.parametrize("told", OTHERS.values(), ids=OTHERS)
def test_another_moment_has_another_serial_number(told: Inventory) -> None:
    assert bom(told)["serialNumber"] != bom(TOLD)["serialNumber"]


def test_its_time_is_that_of_the_last_event() -> None:
    assert bom(TOLD)["metadata"]["timestamp"] == "2026-03-01T12:00:00.000Z"


def test_before_anything_happened_it_has_no_time() -> None:
    empty = inventory(State(), AsOf(seq=0, hash="00" * 32, at=None))
    assert "timestamp" not in bom(empty)["metadata"]


def test_json_is_as_its_schema_says() -> None:
    Draft202012Validator(schemas()["file/inventory"]).validate(
        json.loads(bytes_of(TOLD, Format.JSON))
    )


def table(told: Inventory) -> list[dict[str, str]]:
    text = bytes_of(told, Format.CSV).decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_a_spreadsheet_has_a_line_for_each_firmware() -> None:
    found = [(row["relay"] or row["shelf"], row["part"], row["firmware"]) for row in table(TOLD)]
    assert found == [
        ("q2-bay", "", ""),
        ("q07-main1", "device", "V2.11.00"),
        ("q07-main1", "boot", "1.5"),
        ("q07-main2", "", ""),
        ("q10-main1", "device", "B"),
        ("A3", "device", "V2.12.00"),
        ("A10", "", ""),
    ]


@pytest.mark.parametrize("serial", ["=1+1", "+1", "-1", "@a", "\t=1"])
def test_no_cell_is_taken_for_a_formula(serial: str) -> None:
    """OWASP, CSV Injection."""
    plate = Nameplate(serNum=serial)
    relay = Relay(bay="Q1", function="main", address="h", nameplate=plate)
    [row] = table(inventory(State(seq=1, relays={"q1": relay}), UP_TO))
    assert row["serial number"][0] not in "=+-@\t\r"
