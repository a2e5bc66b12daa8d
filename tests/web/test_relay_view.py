"""One relay: what is told of it, to whom what is offered, and what comes of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from poller.answers.due import due_rows
from poller.answers.one import picture
from poller.answers.registers import registers
from poller.decide import About, SiteRead, Started
from poller.edges import commands
from poller.judging.findings import Silent
from poller.model.canonical import plain
from poller.model.users import Role
from poller.planning.due import due
from poller.web.one_relay import SPANS
from poller.web.views.relay import PARTS_OF
from tests.cli.bench import HOSTILE, believed
from tests.judging.visits import larch, visits
from tests.web.house import House, form_of, told
from tests.web.test_views import Reader, read

HERE = "/relays/q01-main1"
SILENT = Silent(last_answer_at=None, reason="no reply within 3 s")


def accept(house: House, relay: str) -> None:
    args = {"relays": [relay], "why": "as commissioned"}
    house.decide(commands.command("baseline_accept", args), by="ute")


def words(page: Reader) -> str:
    return " ".join(page.text.split())


def close(page: Reader) -> str:
    """Cells of a row stand side by side."""
    return "".join(page.text.split())


def ids(page: Reader, tag: str) -> list[str | None]:
    return [attrs.get("id") for name, attrs in page.elements if name == tag]


# What is told.


async def test_every_row_of_the_roll_leads_to_its_relay(house: House) -> None:
    page = await read(house, "/relays")
    led = {attrs.get("href") for tag, attrs in page.elements if tag == "a"}
    assert {f"/relays/{name}" for name in house.state.relays} <= led


async def test_a_difference_is_told_in_words_and_by_a_mark(house: House) -> None:
    accept(house, "q01-main1")
    assert "as accepted" in words(await read(house, f"{HERE}/nameplate"))
    house.decide(About(relay="q01-main1", finding=believed("5.3", minute=60)))
    page = await read(house, f"{HERE}/nameplate")
    assert "not as accepted in 1 of" in words(page)
    assert "≠differs:5.2" in close(page)


async def test_what_was_never_accepted_differs_from_nothing(house: House) -> None:
    page = await read(house, f"{HERE}/nameplate")
    assert "never accepted" in page.text
    assert "differs" not in page.text


async def test_firmware_is_told_against_the_list_in_words(house: House) -> None:
    page = await read(house, f"{HERE}/firmware")
    lines = picture(house.state, "q01-main1", None, house.now).firmware
    assert lines != ()
    for line in lines:
        assert line.status_says in page.text


async def test_what_stands_in_the_way_is_what_the_command_line_says(house: House) -> None:
    page = words(await read(house, f"{HERE}/due"))
    known = house.page.behind.known(house.site, house.state)
    readings = house.live
    found = due(house.state, house.site, known.held, known.concerned, readings, house.now)
    [row] = [one for one in due_rows(found, house.state) if one.relay == "q01-main1"]
    assert row.reasons != ()
    said = [one.says for one in row.reasons] + [one.says for one in row.ways]
    said += [text for one in row.in_the_way for text in (one.says, one.cure)]
    assert [text for text in said if text not in page] == []


async def test_only_its_own_alarms_stand_there(house: House) -> None:
    page = await read(house, f"{HERE}/alarms")
    own = {f"alarm-{one.id}" for one in house.state.alarms.values() if one.subject == "q01-main1"}
    assert own != set()
    assert {one for one in ids(page, "li") if one} == own


async def test_registers_stand_as_they_came_beside_the_line_of_the_map(house: House) -> None:
    last = visits(larch()).settle().last_read()
    house.page.behind = replace(house.page.behind, last_read=lambda relay: last)
    page = close(await read(house, f"{HERE}/registers"))
    found = registers(last, house.site.texts, house.now)
    for block in found.blocks:
        for line in block.lines:
            row = (line.where, line.raw, line.value, "line", str(line.line), line.text or "")
            assert "".join("".join(row).split()) in page
    async with house.browser() as client:
        answer = told(await client.get(f"/api/v1{HERE}/registers"))
    assert answer == {"read": plain(found)}


async def test_nothing_is_made_up_of_a_relay_that_was_not_read(house: House) -> None:
    assert "was not read since" in (await read(house, "/relays/q05-main1/registers")).text
    assert "not read yet" in (await read(house, "/relays/q05-main1/nameplate")).text


async def test_a_relay_that_is_listed_no_more_says_so(house: House) -> None:
    relay = house.state.relays["q01-main1"]
    gone = house.state.relays | {"q01-main1": replace(relay, listed=False)}
    house.state = replace(house.state, relays=gone)
    house.add("ute", *Role)
    page = await read(house, HERE, "ute")
    assert "not listed any more" in words(page)
    assert "/do/pause" not in {attrs.get("action") for _, attrs in page.elements}


@pytest.mark.parametrize("name", ["rows", "list", "now"])
async def test_no_name_of_a_relay_is_taken_by_a_view(house: House, name: str) -> None:
    first, *rest = house.site.file.relays
    file = house.site.file.model_copy(
        update={"relays": (first.model_copy(update={"id": name}), *rest), "protection_groups": {}}
    )
    house.site = replace(house.site, file=file, sha256="1" * 64)
    house.decide(SiteRead())
    assert f"{first.bay} {first.function}" in words(await read(house, f"/relays/{name}"))
    assert "not asked yet" in words(await read(house, f"/relays/{name}/now"))


@pytest.mark.parametrize("path", ["/relays/none", f"{HERE}/none", "/relays/none/now"])
async def test_what_there_is_not_is_told(house: House, path: str) -> None:
    async with house.browser() as client:
        assert (await client.get(path)).status_code == 404


@pytest.mark.parametrize("part", PARTS_OF)
async def test_text_of_a_device_is_text_in_every_part(house: House, part: str) -> None:
    house.decide(About(relay="q02-main1", finding=believed("<img src=x>", serial=HOSTILE)))
    page = await read(house, f"/relays/q02-main1/{part}")
    assert not any(tag in ("b", "img", "script", "style") for tag, _ in page.elements)
    assert not any("style" in attrs for _, attrs in page.elements)
    assert not {"\x1b", "\u202e"} & set(page.text)


# What happened, as a picture.


async def test_every_event_of_the_picture_leads_to_the_ledger_and_says_what_it_is(
    house: House,
) -> None:
    page = await read(house, f"{HERE}/history")
    events = [attrs for tag, attrs in page.elements if attrs.get("class") == "event"]
    assert any("flag firmware_changed rose" in (attrs["aria-label"] or "") for attrs in events)
    for attrs in events:
        assert (attrs["href"] or "").startswith("/changes?of=relay:q01-main1&before=")


async def test_the_same_stands_there_in_words(house: House) -> None:
    house.pass_s(60)
    page = words(await read(house, f"{HERE}/history"))
    assert "Firmware: " in page
    assert "flag firmware_changed rose" in page
    assert ": warning" in page


@pytest.mark.parametrize("span", SPANS)
async def test_a_span_is_chosen_and_named(house: House, span: str) -> None:
    page = await read(house, f"{HERE}?span={span}")
    assert [attrs["value"] for _, attrs in page.elements if "selected" in attrs] == [span]
    [piece] = [a["data-piece"] for _, a in page.elements if a.get("id") == "history"]
    assert piece == f"{HERE}/history?span={span}"


async def test_without_a_choice_it_holds_what_happened_of_late(house: House) -> None:
    house.now += timedelta(days=3)
    async with house.browser() as client:
        found = told(await client.get(f"/api/v1{HERE}/timeline"))
    assert sum(len(lane["marks"]) for lane in found["lanes"]) > 0
    assert found["first"] < found["last"]


async def test_a_span_that_there_is_not_is_refused(house: House) -> None:
    async with house.browser() as client:
        for path in (f"{HERE}?span=2d", f"/api/v1{HERE}/timeline?span=2d"):
            assert (await client.get(path)).status_code == 422


async def test_the_poller_was_not_there_between_two_of_its_starts(house: House) -> None:
    house.now += timedelta(minutes=5)
    house.decide(Started(version="0"))
    async with house.browser() as client:
        found = told(await client.get(f"/api/v1{HERE}/timeline?span=1h"))
    [answering] = [lane for lane in found["lanes"] if lane["name"] == "answering"]
    assert "Bayroll not running" in [band["says"] for band in answering["bands"]]


# Who is offered what, and what comes of it.

OFFERS = {
    Role.VIEWER: set[str](),
    Role.OPERATOR: {"alarm_ack", "alarm_shelve"},
    Role.ENGINEER: {"baseline_accept", "pause", "disposition_give"},
    Role.AUDITOR: set[str](),
}


@pytest.mark.parametrize("role", OFFERS)
async def test_only_what_a_person_may_do_is_offered(house: House, role: Role) -> None:
    house.add("ute", role)
    page = await read(house, HERE, "ute")
    found = {attrs.get("action") or "" for tag, attrs in page.elements if tag == "form"}
    assert {one.removeprefix("/do/") for one in found if one.startswith("/do/")} == OFFERS[role]


DONE = [
    ("baseline_accept", {"relays": "q01-main1", "why": "agreed"}, "baseline_accepted"),
    ("pause", {"relay": "q01-main1", "why": "bench"}, "relay_paused"),
    (
        "disposition_give",
        {"investigation": "i1", "disposition": "mistake", "why": "wrong box"},
        "disposition_given",
    ),
]


@pytest.mark.parametrize(("command", "values", "kind"), DONE)
async def test_what_is_done_stands_in_the_journal_with_who_did_it(
    house: House, command: str, values: dict[str, str], kind: str
) -> None:
    house.add("ute", "engineer")
    async with house.browser("ute") as client:
        form = form_of((await client.get(HERE)).text)
        sent = values | {"form": form, "back": HERE}
        answer = await client.post(f"/do/{command}", data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, HERE)
    [event] = house.page.behind.journal.history(kinds=[kind], newest_first=True, limit=1)
    assert (event.event.subject, event.event.by) == ("q01-main1", "ute (page)")


async def test_one_that_is_paused_can_be_resumed(house: House) -> None:
    house.add("ute", "engineer")
    house.decide(commands.command("pause", {"relay": "q01-main1", "why": "x"}), by="x")
    page = await read(house, f"{HERE}/polling", "ute")
    assert [attrs["action"] for tag, attrs in page.elements if tag == "form"] == ["/do/resume"]


async def test_every_part_is_asked_for_by_itself_and_only_where_this_relay_moved(
    house: House,
) -> None:
    house.add("ute", "engineer")
    page = await read(house, HERE, "ute")
    parts = {attrs["data-piece"]: attrs for _, attrs in page.elements if "data-piece" in attrs}
    assert set(parts) == {f"{HERE}/{name}" for name in PARTS_OF}
    for attrs in parts.values():
        assert (attrs["data-on"], attrs["data-of"]) == ("relays", "q01-main1")
    assert house.decide(About(relay="q01-main1", finding=SILENT)) != []
    since = house.page.feed.since(house.state.seq - 1)
    assert since is not None
    assert since["relays"] == ["q01-main1"]
