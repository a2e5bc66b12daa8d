"""Work, what is due, versions and measures: the answers of the command line, for who may act."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from poller.answers.advisories import advisory_rows
from poller.answers.due import due_rows, fetch_csv, fetch_rows
from poller.answers.measures import number
from poller.answers.sheet import sheet
from poller.answers.versions import families
from poller.decide import About
from poller.journal.period import measures_of
from poller.model.canonical import plain
from poller.model.refusal import Refusal
from poller.model.users import Role
from poller.model.work import WorkState
from poller.planning.due import due
from poller.planning.fetch import to_fetch
from poller.site.shipped_alarms import catalogue_of
from poller.web.views.work import left, planned
from poller.web.views.work_steps import doable, steps
from poller.work.planned_work import PEOPLE, moved
from tests.answers.work_world import work
from tests.web.house import House, form_of, told
from tests.web.planned_house import TARGET, do, furnish, larch
from tests.web.test_views import Reader, read


async def look(house: House, path: str, user: str = "ute") -> Reader:
    return await read(house, path, user)


PARTS = ["/work/list", "/due/list", "/versions/list", "/alarms/measures/list?days=7"]
ALL = ["/work", "/due", "/versions", "/alarms/measures", "/work/w1/sheet", *PARTS]


@pytest.fixture
def house(house: House) -> House:
    furnish(house)
    house.add("ute", *Role)
    return house


# Of all of them, with everything in them that may be there.


@pytest.mark.parametrize("path", ALL)
async def test_text_is_text_and_nothing_is_inline(house: House, path: str) -> None:
    page = await look(house, path)
    assert not any(tag in ("b", "style") for tag, _ in page.elements)
    assert not {"\x1b", "\u202e"} & set(page.text)
    for tag, attrs in page.elements:
        assert not any(name.startswith("on") or name == "style" for name in attrs), (tag, attrs)
        assert tag != "script" or (attrs.get("src") or "").startswith("/static/")


@pytest.mark.parametrize("path", ALL)
async def test_every_id_is_there_once_and_every_reference_leads_to_one(
    house: House, path: str
) -> None:
    page = await look(house, path)
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    for _, attrs in page.elements:
        for name in ("aria-labelledby", "aria-describedby", "list"):
            assert set((attrs.get(name) or "").split()) <= set(ids), attrs
        if (attrs.get("href") or "").startswith("#"):
            assert attrs["href"] in {f"#{one}" for one in ids}


OFFERED = [
    ("/work", Role.VIEWER, set[str]()),
    ("/work", Role.OPERATOR, set[str]()),
    (
        "/work",
        Role.ENGINEER,
        {
            "/work/add",
            "/do/work_start",
            "/do/work_end",
            "/do/work_note",
            "/do/work_cancel",
            "/do/disposition_give",
            "/do/investigation_link",
        },
    ),
    ("/due", Role.VIEWER, set[str]()),
    ("/due", Role.ENGINEER, {"/do/exception_give", "/do/evaluation_enter"}),
    ("/versions", Role.ENGINEER, set[str]()),
]


@pytest.mark.parametrize(("path", "role", "offers"), OFFERED)
async def test_only_what_a_person_may_do_is_offered(
    house: House, path: str, role: Role, offers: set[str]
) -> None:
    house.add("eve", role)
    page = await look(house, path, "eve")
    posts = [attrs for tag, attrs in page.elements if tag == "form" and attrs["method"] == "post"]
    assert {attrs["action"] for attrs in posts} - {"/sign-out"} == offers


# Work.


def form(**more: str) -> dict[str, list[str]]:
    given = {
        "relays": "q05-main1, q06-main1",
        "kind": "update",
        "to": TARGET,
        "expects": "components.boot.swRev = 2.5\n\n",
        "start": "2026-03-29 09:00",
        "end": "2026-03-29T13:00",
        "zone": "Europe/Vienna",
    }
    return {name: [text] for name, text in (given | more).items()}


def test_a_form_becomes_the_values_of_the_command() -> None:
    """Vienna is at +02:00 on the day on which summer time began (from memory)."""
    assert planned(form()) == {
        "relays": ["q05-main1", "q06-main1"],
        "kind": "update",
        "expects": {"swRev": TARGET, "components.boot.swRev": "2.5"},
        "start": "2026-03-29T07:00:00.000Z",
        "end": "2026-03-29T11:00:00.000Z",
        "zone": "Europe/Vienna",
        "reference": None,
        "although": None,
    }


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"start": "2026-03-29 02:30"}, "never shows this time"),
        ({"start": "tomorrow"}, "write it as 2026-03-01 09:00"),
        ({"zone": "Mars/Base"}, "no time zone of that name"),
        ({"expects": "swRev"}, "write it as ATTRIBUTE=TEXT"),
        ({"end": "2026-03-29 08:00"}, "give an end that comes after the start"),
    ],
)
def test_a_form_that_makes_no_sense_is_refused_with_the_mend(
    more: dict[str, str], says: str
) -> None:
    with pytest.raises(Refusal, match=says):
        planned(form(**more))


async def test_work_that_is_planned_on_the_page_is_the_command_lines(house: House) -> None:
    async with house.browser("ute") as client:
        given = {name: texts[0] for name, texts in form(relays="q04-main1", expects="").items()}
        hidden = {"form": form_of((await client.get("/work")).text), "back": "/work"}
        answer = await client.post("/work/add", data=given | hidden)
    assert (answer.status_code, answer.headers["location"]) == (303, "/work")
    assert house.state.works["w5"].plan.expects == {"swRev": TARGET}
    assert house.state.works["w5"].by == "ute (page)"


async def test_a_form_without_its_mark_plans_nothing(house: House) -> None:
    async with house.browser("ute") as client:
        given = {name: texts[0] for name, texts in form().items()}
        assert (await client.post("/work/add", data=given)).status_code == 403
    assert "w5" not in house.state.works


async def test_a_viewer_plans_nothing(house: House) -> None:
    house.add("eve", Role.VIEWER)
    async with house.browser("eve") as client:
        page = (await client.get("/work")).text
        given = {name: texts[0] for name, texts in form().items()} | {"form": form_of(page)}
        assert (await client.post("/work/add", data=given)).status_code == 403


async def test_each_piece_of_work_stands_where_it_is(house: House) -> None:
    text = (await look(house, "/work/list")).text
    order = ["Under way 1", "work w2", "Planned 2", "work w1", "Ended: 1 piece"]
    places = [text.find(one) for one in order]
    assert -1 not in places
    assert places == sorted(places)


async def test_what_is_left_to_do_is_told(house: House) -> None:
    """Of the six that rule larch is for none runs its target, and work is open on two."""
    assert left(house.state) == (6, 2)
    assert "6 relays run other firmware than their target" in (await look(house, "/work/list")).text


@pytest.mark.parametrize("state", WorkState)
def test_what_is_offered_is_never_refused_and_all_that_is_not_is(state: WorkState) -> None:
    """Against the table of moves, which refuses by itself."""
    for move in PEOPLE:
        try:
            moved(work(state=state), move, "why")
        except Refusal:
            assert move.value not in doable(state)
        else:
            assert move.value in doable(state)


STEPS = """
planned            planned|ready|under way|looked at again|verified|closed           0
checking           planned|ready|under way|looked at again|verified|closed           3
verified           planned|ready|under way|looked at again|verified|closed           4
wrong_version      planned|ready|under way|looked at again|wrong version|closed      4
not_done           planned|ready|under way|looked at again|not done|closed           4
cancelled          planned|cancelled                                                 1
closed             planned|ready|under way|looked at again|verified|closed           5
"""


@pytest.mark.parametrize("line", STEPS.strip().splitlines())
def test_how_far_it_came_is_told_in_steps(line: str) -> None:
    state, rest = line.split(maxsplit=1)
    words, now = rest.rsplit(maxsplit=1)
    told_steps = steps(WorkState(state))
    assert [one.says for one in told_steps] == words.strip().split("|")
    assert [one.stands for one in told_steps].index("now") == int(now)
    assert {one.stands for one in told_steps[: int(now)]} <= {"done"}


def texts(value: Any) -> Iterator[str]:
    """Every text in it that is for people."""
    if isinstance(value, dict):
        yield from texts([inner for name, inner in value.items() if name != "name"])
    elif isinstance(value, list):
        for inner in value:
            yield from texts(inner)
    elif isinstance(value, str):
        yield value


async def test_the_sheet_says_all_that_the_command_line_prints(house: House) -> None:
    page = await look(house, "/work/w1/sheet")
    made = plain(sheet(house.state.works["w1"], house.state, house.site, house.now))
    told_there = " ".join(page.text.split())
    for text in texts(made):
        assert " ".join(text.split()) in told_there
    assert "Isolate every trip" in page.text


async def test_of_work_that_is_none_there_is_no_sheet(house: House) -> None:
    async with house.browser("ute") as client:
        assert (await client.get("/work/w99/sheet")).status_code == 404
        assert (await client.get("/api/v1/work/w99/sheet")).status_code == 404


# Due.


def found(house: House) -> tuple[Any, Any]:
    known = house.page.behind.known(house.site, house.state)
    told_due = due(house.state, house.site, known.held, known.concerned, house.live, house.now)
    return known, told_due


async def test_what_is_due_is_that_of_the_command_line(house: House) -> None:
    known, rows = found(house)
    async with house.browser("ute") as client:
        answer = told(await client.get("/api/v1/due"))
        advisories = told(await client.get("/api/v1/advisories"))
    assert answer["due"] == [plain(row) for row in due_rows(rows, house.state)]
    assert answer["fetch"] == [
        plain(row) for row in fetch_rows(to_fetch(rows, house.state), house.state)
    ]
    expected = advisory_rows(known.held, known.concerned, house.state)
    assert advisories["advisories"] == [plain(row) for row in expected]
    assert expected != ()


async def test_every_reason_way_and_obstacle_stands_on_the_page(house: House) -> None:
    _, rows = found(house)
    text = " ".join((await look(house, "/due")).text.split())
    for row in due_rows(rows, house.state):
        assert f"{row.place}." in text
        for said in (*(r.says for r in row.reasons), *(o.cure for o in row.in_the_way)):
            assert " ".join(said.split()) in text
        for way in row.ways:
            assert all(step.version_to in text for step in way.steps)


async def test_the_first_step_of_a_way_is_planned_with_one_click(house: House) -> None:
    page = await look(house, "/due")
    hrefs = [attrs["href"] for tag, attrs in page.elements if tag == "a" and attrs.get("href")]
    [way] = [one for one in hrefs if one and one.startswith("/work?relay=q04-main1&")]
    form_page = await look(house, way.partition("#")[0])
    values = {attrs.get("name"): attrs.get("value") for tag, attrs in form_page.elements}
    assert (values["relays"], values["to"]) == ("q04-main1", TARGET)
    assert not any(one and one.startswith("/work?relay=q05-main1") for one in hrefs)  # w1 is open


async def test_what_to_fetch_comes_as_csv_and_text(house: House) -> None:
    _, rows = found(house)
    async with house.browser("ute") as client:
        answer = await client.get("/due/fetch.csv")
    assert answer.content == fetch_csv(fetch_rows(to_fetch(rows, house.state), house.state))
    assert "attachment" in answer.headers["content-disposition"]
    assert "for order code: L21-6C-2E-1" in (await look(house, "/due")).text


async def test_what_may_wait_says_until_when_and_why(house: House) -> None:
    until = (house.now + timedelta(days=90)).date().isoformat()
    do(house, "exception_give", relay="q04-main1", until=until, why="no outage <b>")
    assert f"May wait until {until}: no outage <b>" in (await look(house, "/due")).text


async def test_a_long_list_is_told_in_parts(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("poller.web.views.due.AT_ONCE", 2)
    page = await look(house, "/due?from=3")
    assert [attrs["start"] for tag, attrs in page.elements if tag == "ol" and "start" in attrs] == [
        "3"
    ]
    assert "/due/list?from=3" in [attrs.get("data-piece") for _, attrs in page.elements]
    assert "The next, from 5" in page.text


@pytest.mark.parametrize(
    ("op", "args"),
    [
        ("evaluation_enter", {"vendor": "Tarnwick Electric", "found": "nothing"}),
        ("bulletin_add", {"title": "x", "severity": "slow_trip", "family": "larch"}),
    ],
)
async def test_what_is_about_makers_and_families_moves_the_page(
    house: House, op: str, args: dict[str, Any]
) -> None:
    before = house.state.seq
    do(house, op, **args)
    assert house.page.feed.since(before) == {"seq": house.state.seq, "all": True}


# Versions.


async def test_versions_are_counted_as_relays_run_them(house: House) -> None:
    async with house.browser("ute") as client:
        answer = told(await client.get("/api/v1/versions"))
        over_time = told(await client.get("/api/v1/versions/over-time"))
    assert answer["families"] == [plain(one) for one in families(house.state, house.site)]
    [larch] = [one for one in answer["families"] if one["rule"] == "larch"]
    assert {one["version"]: len(one["relays"]) for one in larch["versions"]} == {
        TARGET: 0,
        "5.1 SP2": 5,
        "5.1 SP1": 1,
    }
    [spread] = [one for one in over_time["spread"] if one["rule"] == "larch"]
    assert {one["version"]: one["relays"] for one in spread["turns"][-1]["running"]} == {
        "5.1 SP2": 5,
        "5.1 SP1": 1,
    }


async def test_each_number_leads_to_its_relays(house: House) -> None:
    page = await look(house, "/versions")
    hrefs = {attrs.get("href") for tag, attrs in page.elements if tag == "a"}
    assert {f"/relays/{name}" for name in house.state.relays} <= hrefs  # the unread ones too


async def test_the_picture_has_a_name_and_stands_as_a_table_too(house: House) -> None:
    page = await look(house, "/versions")
    pictures = [attrs for tag, attrs in page.elements if attrs.get("role") == "img"]
    assert pictures
    assert all(attrs.get("aria-labelledby") for attrs in pictures)
    assert page.text.count("The same in numbers") == len(pictures)


async def test_pictures_follow_the_journal(house: House) -> None:
    before = house.page.spread.turns()["larch", "swRev"]
    house.decide(About(relay="q03-main1", finding=larch(TARGET, 1)))
    after = house.page.spread.turns()["larch", "swRev"]
    assert after[: len(before)] == before
    assert after[-1].counts == {"5.1 SP2": 4, TARGET: 1, "5.1 SP1": 1}


# Measures.


async def test_every_figure_stands_with_its_number_target_and_source(house: House) -> None:
    page = await look(house, "/alarms/measures")
    made = measures_of(
        house.page.behind.journal,
        house.now - timedelta(days=30),
        house.now,
        catalogue_of(house.site),
    )
    assert made is not None
    for one in made.figures:
        assert one.name[1:] in page.text
        assert one.value is None or number(one.value) in page.text
        assert one.source in page.text
    assert sum(attrs.get("role") == "img" for _, attrs in page.elements) == len(made.figures)


@pytest.mark.parametrize("days", ["0", "367", "x"])
async def test_no_more_than_a_year_is_measured(house: House, days: str) -> None:
    async with house.browser("ute") as client:
        assert (await client.get(f"/alarms/measures?days={days}")).status_code == 422


async def test_of_very_much_work_the_first_windows_are_shown(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("poller.web.views.work.OPEN_SHOWN", 1)
    text = (await look(house, "/work/list")).text
    assert "Planned 2" in text
    assert "And 1 more with later windows" in text


async def test_of_very_many_advisories_the_most_pressing_are_shown(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("poller.web.views.due.LINES_TOLD", 1)
    assert "more, less pressing" in (await look(house, "/due")).text
