"""bayroll points: the list that a front end is engineered by."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest

from poller.alarms import points
from poller.cli.common import load
from poller.journal.store import Batch, Reader, Writer
from poller.model.events import Event
from tests.cli.bench import AT, Bench

DONE, BAD_INPUT = 0, 2
PLAN = "These are a plan"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    return Bench(tmp_path)


def serve(bench: Bench, output: str = "alarm_points: {}") -> None:
    """The site names the output, and the service was started since."""
    text = bench.site_file.read_text()
    bench.site_file.write_text(text.replace("outputs:\n", f"outputs:\n  {output}\n"))
    state = Reader.open(bench.journal).load_state()
    told = points.assigned(state.points, load(bench.site_file))
    with Writer.open(bench.journal) as writer:
        events = [Event(at=AT, subject=subject, body=body) for subject, body in told]
        writer.write([Batch(events=tuple(events))])


def edit(bench: Bench, before: str, after: str) -> None:
    text = bench.site_file.read_text()
    assert before in text
    bench.site_file.write_text(text.replace(before, after))


def table(bench: Bench, *words: str) -> list[dict[str, Any]]:
    result = bench.run("points", "--csv", *words)
    assert result.exit_code == DONE, result.output
    assert result.stdout_bytes.startswith(b"\xef\xbb\xbf"), "else spreadsheets take it for another"
    return list(csv.DictReader(io.StringIO(result.stdout_bytes.decode("utf-8-sig"), newline="")))


def test_every_alarm_and_value_of_every_relay_has_a_row(bench: Bench) -> None:
    serve(bench)
    found = table(bench)
    relays = {relay.id for relay in load(bench.site_file).file.relays}
    own = [row for row in found if row["owner"] in relays]
    # operator entries of relays in the shipped catalogue, and the values of a relay
    assert len(own) == len(relays) * (16 + 5)
    assert {row["kind"] for row in found} == {"relay", "gateway", "station"}
    assert {row["standing"] for row in found} == {"in_use"}


def test_a_row_says_what_an_engineer_needs(bench: Bench) -> None:
    serve(bench)
    (row,) = (
        one for one in table(bench) if (one["owner"], one["point"]) == ("q01-main2", "silent")
    )
    assert row == {
        "table": "discrete_input",
        "address": "202",
        "item": "203",
        "iec104": "",
        "block": "3",
        "place": "10",
        "kind": "relay",
        "owner": "q01-main2",
        "bay": "Q01",
        "function": "main 2",
        "point": "silent",
        "means": "it does not answer",
        "priority": "low",
        "response": "Look whether SCADA still hears it; tell the engineer of communications.",
        "time_to_respond_min": "480",
        "standing": "in_use",
    }


def test_alarms_have_their_address_over_iec_104_too(bench: Bench) -> None:
    """config/scada/iec104.md: first_address and the number of the discrete input."""
    serve(bench, "iec104: {first_address: 5000}")
    for row in table(bench):
        is_alarm = row["table"] == "discrete_input"
        assert row["iec104"] == (str(5_000 + int(row["address"])) if is_alarm else "")
    said = " ".join(bench.run("points").stdout.split())
    assert "address is 5000 and the address of its discrete input" in said
    assert "192 5192 48 q01-main2 Q01 main 2" in said


def test_a_wrong_setting_of_iec_104_is_told_with_its_place(bench: Bench) -> None:
    serve(bench, "iec104: {first_address: 0}")
    result = bench.run("points")
    assert result.exit_code == BAD_INPUT
    assert "outputs.iec104.first_address" in result.stderr


def test_no_address_stands_twice_and_each_follows_from_its_block(bench: Bench) -> None:
    serve(bench)
    found = table(bench)
    assert len({(row["table"], row["address"]) for row in found}) == len(found)
    for row in found:
        size = 64 if row["table"] == "discrete_input" else 16
        assert int(row["address"]) == int(row["block"]) * size + int(row["place"])
        # MODBUS Application Protocol Specification V1.1b3, 4.4: item 1 is address 0
        assert int(row["item"]) == int(row["address"]) + 1


def test_rows_are_the_same_as_json(bench: Bench) -> None:
    serve(bench)
    told = [
        {name: "" if value is None else str(value) for name, value in row.items()}
        for row in bench.json("points")
    ]
    assert told == table(bench)


def test_without_an_output_it_is_a_plan_and_says_how_to_have_it(bench: Bench) -> None:
    result = bench.run("points")
    assert (result.exit_code, PLAN in result.stderr) == (DONE, True)
    assert "alarm_points or iec104 under outputs:" in result.stderr
    assert {row["standing"] for row in table(bench)} == {"planned"}


def test_the_plan_is_what_comes(bench: Bench) -> None:
    place = ("table", "address", "owner", "point")
    before = [[row[name] for name in place] for row in table(bench)]
    serve(bench)
    assert [[row[name] for name in place] for row in table(bench)] == before
    assert PLAN not in bench.run("points").stderr


def test_before_the_first_start_there_is_a_plan_too(bench: Bench) -> None:
    before = table(bench)
    for path in bench.folder.glob("bayroll.journal*"):
        path.unlink()
    assert table(bench) == before


def test_what_is_new_is_planned_and_what_is_gone_retired(bench: Bench) -> None:
    serve(bench)
    before = {(row["owner"], row["point"]): row["address"] for row in table(bench)}
    edit(bench, "id: q01-main1,", "id: q99-main1,")
    edit(bench, "members: [q01-main1, ", "members: [q99-main1, ")
    found = {(row["owner"], row["point"]): row for row in table(bench)}
    assert found["q01-main1", "silent"]["standing"] == "retired"
    assert found["q99-main1", "silent"]["standing"] == "planned"
    assert {key: found[key]["address"] for key in before} == before
    assert "Some are a plan" in bench.run("points").stderr


def test_a_notice_in_place_of_an_alarm_leaves_its_point_retired(bench: Bench) -> None:
    serve(bench)
    shipped = Path(__file__).parents[2] / "config" / "alarms.yaml"
    entry, _, rest = shipped.read_text().partition("  - id: silent ")
    rest = rest.replace("[operator_alarm]", "[engineering_notice]", 1)
    (bench.folder / "alarms.yaml").write_text(f"{entry}  - id: silent {rest}")
    edit(bench, "\nsite: fellmoor", "\nalarms: alarms.yaml\nsite: fellmoor")
    found = {(row["owner"], row["point"]): row["standing"] for row in table(bench)}
    assert found["q01-main1", "silent"] == "retired"
    assert found["q01-main1", "replaced"] == "in_use"


def test_it_goes_into_a_file_that_is_not_there_yet(bench: Bench) -> None:
    out = bench.folder / "points.csv"
    assert bench.run("points", "--csv", "--out", str(out)).exit_code == DONE
    assert out.read_bytes().startswith(b"\xef\xbb\xbftable,address,")
    again = bench.run("points", "--csv", "--out", str(out))
    assert (again.exit_code, "not written over" in again.stderr) == (BAD_INPUT, True)


def test_a_person_reads_what_a_block_holds_and_where_each_begins(bench: Bench) -> None:
    serve(bench)
    said = " ".join(bench.run("points").stdout.split())
    assert "10 relay silent it does not answer low" in said
    assert "0 relay communication 1 answers, 2 silent" in said
    assert "0 0 station" in said
    assert "192 48 q01-main2 Q01 main 2" in said


def test_more_relays_than_modbus_has_addresses_for_are_told(bench: Bench) -> None:
    last = Event(at=AT, subject="", body=points.ev.PointBlockAssigned(owner="gone", block=1_022))
    with Writer.open(bench.journal) as writer:
        writer.write([Batch(events=(last,))])
    serve(bench)
    assert "25 relays or gateways have points past the last address" in bench.run("points").stderr
    assert next(row["owner"] for row in table(bench) if row["standing"] == "in_use") == "station"
