"""The work sheet: what stands on the page that a person signs, as text and as HTML."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import pytest

from poller.answers.sheet import Part, Sheet, sheet
from poller.answers.sheet_html import as_html
from poller.answers.sheet_text import WIDTH, as_text
from poller.model.canonical import plain
from poller.model.standing import Relay, State
from poller.model.work import NoteKind, SettingsFile, Work, WorkKind, WorkState
from poller.site.settings import Site
from tests.answers.sites import RULE, site
from tests.answers.work_world import (
    BUSY,
    HOSTILE,
    PLAN,
    TOOK_NOT,
    line,
    looks_of_its_own,
    note,
    texts,
    work,
)
from tests.answers.world import NOW, ago

SITE = site()


def of(one: Work | None = None, where: Site = SITE) -> Sheet:
    return sheet(one or work(), BUSY, where, NOW)


def part(made: Sheet, heading: str) -> Part:
    return next(one for one in made.parts if one.heading == heading)


def boxes(made: Sheet, heading: str) -> str:
    return " ".join(box.says for box in part(made, heading).boxes)


@pytest.mark.parametrize(
    ("heading", "words"),
    [
        ("Before the work", "isolated"),
        ("Before the work", "Settings and configuration read back"),
        ("Before the work", "Disturbance records"),
        ("Before the work", "Counters"),
        ("Before the work", "Passwords"),
        ("Before the work", "Certificates"),
        ("The work", "bayroll work start"),
        ("The work", "bayroll work end"),
        ("After the work", "Clock"),
        ("After the work", "Addresses"),
        ("After the work", "Settings read back and compared"),
        ("After the work", "SCADA points"),
        ("After the work", "GOOSE"),
        ("After the work", "Functional test"),
        ("After the work", "Returned to service"),
    ],
)
def test_what_is_to_be_ticked(heading: str, words: str) -> None:
    assert words in boxes(of(), heading)


def test_the_isolation_has_a_place_for_its_reference() -> None:
    box = next(box for box in part(of(), "Before the work").boxes if "isolated" in box.says)
    assert "isolation reference" in box.blanks


def test_every_box_has_a_place_for_who() -> None:
    without = [
        box.says
        for one in of().parts
        for box in one.boxes
        if not {"by", "released by", "decided by"} & set(box.blanks)
    ]
    assert without == []


@pytest.mark.parametrize(
    "words",
    [
        "Isolate every trip",
        "Switching orders, permits to work and local codes",
        "licensed",
        "never replaces a check at the relay",
    ],
)
def test_the_cautions_stand_on_every_sheet(words: str) -> None:
    for kind in WorkKind:
        made = of(work(plan=replace(PLAN, kind=kind)))
        assert words in " ".join(made.cautions)
        assert words in " ".join(as_text(made).split())
        assert words in as_html(made)


def test_the_window_is_told_in_its_zone_and_in_utc() -> None:
    head = dict(of().head)
    assert head["Window"].startswith("2026-03-01 08:00 +01:00 Europe/Vienna to ")
    assert head["In UTC"] == "2026-03-01 07:00:00 UTC to 2026-03-01 13:00:00 UTC"


def test_the_settings_file_stands_with_its_sums_and_who_reviewed_it() -> None:
    said = " ".join(part(of(), "The work").says)
    for words in ("q07.set", "a" * 64, "b" * 64, "Reviewed by M. Orne"):
        assert words in said


def test_the_step_of_the_approved_list_is_told() -> None:
    assert (
        "Step of the approved list (rule tarn): firmware V2.11.00 to V2.12.00, update, about 40 "
        "minutes; settings do not survive: load them afterwards; it can be undone."
        in part(of(), "The work").says
    )


@pytest.mark.parametrize(
    ("heading", "words"),
    [
        ("The work", "Delete the oldest disturbance records."),
        ("After the work", "Hold the enter key for five seconds."),
        ("After the work", "Inject every stage that is in use, to the trip."),
        (
            "If the version is not the one that was planned",
            "Load the package again from the service port.",
        ),
    ],
)
def test_the_familys_own_procedure_is_quoted(heading: str, words: str) -> None:
    assert f"The family's procedure says: {words}" in part(of(), heading).says


@pytest.mark.parametrize(
    ("where", "says"),
    [
        (SITE, "With the version from before still in it, one more try is permitted"),
        (site(RULE | {"steps": [RULE["steps"][0] | {"retry_allowed": False}]}), "No second try"),
        (site(RULE | {"steps": []}), "No step of the approved list says"),
        (site(None), "No step of the approved list says"),
    ],
)
def test_whether_a_second_try_is_permitted(where: Site, says: str) -> None:
    made = part(of(where=where), "If the version is not the one that was planned")
    assert made.says[-1].startswith(says)
    assert made.says[0] == "The relay stays isolated."


def test_a_version_without_a_step_is_said_to_have_none() -> None:
    made = part(of(where=site(RULE | {"steps": []})), "The work")
    assert "(rule tarn) has no step from the present version of firmware" in " ".join(made.says)


def test_partners_and_zones_are_for_people_to_confirm() -> None:
    said = boxes(of(), "Before the work")
    assert "confirmed to trip: Q07 main 2." in said
    assert "Who operates the zone of busbar decided" in said


def test_a_relay_in_no_group_is_asked_for_neither() -> None:
    said = boxes(of(where=site(groups={})), "Before the work")
    assert "confirmed to trip" not in said
    assert "zone" not in said


def test_only_firmware_work_says_what_to_do_when_it_did_not_take() -> None:
    headings = {
        kind: [one.heading for one in of(work(plan=replace(PLAN, kind=kind))).parts][-1]
        for kind in WorkKind
    }
    assert headings == {
        WorkKind.UPDATE: "If the version is not the one that was planned",
        WorkKind.ROLLBACK: "If the version is not the one that was planned",
        WorkKind.REPLACEMENT: "After the work",
        WorkKind.SETTINGS: "After the work",
    }


def test_only_a_replacement_asks_for_the_box_that_is_fitted() -> None:
    swapped = of(work(plan=replace(PLAN, kind=WorkKind.REPLACEMENT)))
    assert "The box that is fitted" in boxes(swapped, "Before the work")
    assert "The box that is fitted" not in boxes(of(), "Before the work")


def test_what_was_noted_stands_beside_its_box() -> None:
    made = of(work(notes=(note(NoteKind.RECORDS_SAVED, ago(hours=5), "share, folder 12"),)))
    noted = [box.noted for box in part(made, "Before the work").boxes if box.noted]
    assert noted == [
        "Noted 2026-03-01 07:00:00 UTC by J. Kral (uid 7): stored records saved, and the copies "
        "open. share, folder 12"
    ]


@pytest.mark.parametrize(
    ("state", "notes_before", "shown"),
    [
        (WorkState.CHECKING, 0, True),
        (WorkState.VERIFIED, 0, True),
        (WorkState.CLOSED, 0, True),
        (WorkState.NOT_DONE, 0, False),  # a sheet printed now is for the next try
        (WorkState.WRONG_VERSION, 0, False),
        (WorkState.UNDER_WAY, 1, False),  # started again after that note
        (WorkState.CHECKING, 1, False),
    ],
)
def test_a_functional_test_of_an_earlier_try_does_not_stand_beside_its_box(
    state: WorkState, notes_before: int, shown: bool
) -> None:
    tested = (note(NoteKind.TESTED, ago(hours=5), "all stages, protocol 7"),)
    made = of(work(state=state, tries=1 + notes_before, notes=tested, notes_before=notes_before))
    noted = [box.noted for box in part(made, "After the work").boxes if box.noted]
    assert bool(noted) == shown


def test_rules_that_were_decided_against_are_seen_by_who_signs() -> None:
    assert dict(of(work(overridden=("q07-line.soak",))).head)["Rules decided against"] == (
        "q07-line.soak"
    )
    assert "Rules decided against" not in dict(of().head)


@pytest.mark.parametrize("who", ["Isolated by", "Worked on by", "Tested by", "Returned to service"])
def test_there_is_a_line_for_who_when_and_signature(who: str) -> None:
    told = as_text(of())
    at = told.index(f"\n{who}")
    signed = told[at : at + 200]
    assert all(word in signed for word in ("name ___", "when ___", "signature ___"))
    assert f"<th>{who}" in as_html(of())


READ_TEXT = """
What Bayroll read after the work
--------------------------------
firmware                expected V2.12.00; read V2.11.00, 2026-03-01 11:59:00 UTC: NOT as
                        expected
health                  expected ok; read not read: not told yet
"""


def test_what_was_read_stands_on_the_sheet_once_it_was() -> None:
    made = of(work(lines=(TOOK_NOT, line("health", "ok", None, None))))
    assert READ_TEXT in as_text(made)
    assert "<td>NOT as expected</td>" in as_html(made)
    assert "Nothing was compared yet" in as_text(of())
    assert "Nothing was compared yet" in as_html(of())


def test_a_printed_line_fits_the_page() -> None:
    assert max(map(len, as_text(of()).splitlines())) <= WIDTH


def hostile() -> Sheet:
    plan = replace(
        PLAN,
        expects={"swRev": HOSTILE, "components.boot.swRev": HOSTILE},
        before={"swRev": HOSTILE, "model": HOSTILE, "vendor": "Tarn"},
        zone=HOSTILE,
        reference=HOSTILE,
        settings=SettingsFile(
            name=HOSTILE, sha256_before="a" * 64, sha256_after=HOSTILE, reviewed_by=HOSTILE
        ),
    )
    one = work(
        state=WorkState.CHECKING,
        plan=plan,
        by=HOSTILE,
        overridden=(HOSTILE,),
        lines=(line(HOSTILE, HOSTILE, HOSTILE, False),),
        notes=tuple(note(kind, NOW, HOSTILE) for kind in NoteKind),
    )
    relays = {
        name: Relay(bay=HOSTILE, function=HOSTILE, address=HOSTILE)
        for name in ("q07-main1", "q07-main2")
    }
    procedure = dict.fromkeys(("lifecycle_warning", "free_memory", "test", "failed"), HOSTILE)
    where = site(RULE | {"procedure": procedure})
    return sheet(one, State(relays=relays), where, NOW)


def test_text_of_devices_and_people_is_escaped_everywhere() -> None:
    told = list(texts(plain(hostile())))
    assert sum(r"\x1b" in text for text in told) >= 20
    assert all(map(looks_of_its_own, told))
    assert all(map(looks_of_its_own, as_text(hostile()).splitlines()))


class Elements(HTMLParser):
    """Which elements, attributes and texts a page has."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: set[tuple[str, tuple[tuple[str, str | None], ...]]] = set()
        self.text = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.add((tag, tuple(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_no_text_becomes_a_part_of_the_page() -> None:
    tested = (note(NoteKind.TESTED, NOW),)
    checking = work(state=WorkState.CHECKING, notes=tested, lines=(TOOK_NOT,), overridden=("r",))
    ours = of(checking)
    spoiled = Elements(as_html(hostile()))
    assert spoiled.found <= Elements(as_html(ours)).found
    assert r"V1\x1b[2J\u202e<b onload=x>&'" + '"' in spoiled.text


def test_the_page_loads_nothing() -> None:
    page = as_html(of())
    assert "default-src 'none'" in page
    elements = {tag for tag, _ in Elements(page).found}
    assert not elements & {"script", "link", "img", "iframe", "object", "base", "form"}
    assert "url(" not in page
    assert "@import" not in page
