"""Rules of protection groups: which plans break which of them, and in which words it is told.

Sources: common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from poller.model import limits
from poller.model.nameplate import Nameplate
from poller.model.standing import Manual
from poller.model.text import shown
from poller.model.work import Plan, Work, WorkKind, WorkState
from poller.work.groups import broken, groups_of, partners, several
from tests.work.substation import FILE, SITE, after, plan, site, state, work

# new plans; work on record; rules that are broken. Hours from T0, = the firmware that is planned.
CASES = """
# redundant: q01 with a soak of 24 h, q02 with none
q01-main1 0..4       | q01-main2 0..4           | q01-line.together
q01-main1 0..4       | q01-main2 3..8           | q01-line.together
q01-main1 0..4       | q01-main2 -9..99         | q01-line.together
q01-main1 0..4       | q01-main2 4..8           | q01-line.soak
q01-main1 0..4       | q01-main2 27..29         | q01-line.soak
q01-main1 0..4       | q01-main2 28..30         |
q01-main1 0..4       | q01-main2 -27..-23       | q01-line.soak
q01-main1 0..4       | q01-main2 -28..-24       |
q02-main1 0..4       | q02-main2 4..8           |
q02-main1 0..4       | q02-main2 3..8           | q02-line.together
q01-main1 0..4       | q02-main2 0..4           |                        # another group
k1-feeder 0..4       | q01-main2 0..4           |                        # in no group
# what became of the work on record
q01-main1 0..4       | q01-main2 0..4 cancelled |
q01-main1 0..4       | q01-main2 0..4 closed 1..2     | q01-line.together
q01-main1 3..4       | q01-main2 0..4 closed 1..2     | q01-line.soak    # it was over early
q01-main1 26..28     | q01-main2 0..4 closed 1..2     |
q01-main1 26..28     | q01-main2 0..4 verified 1..2   |
q01-main1 3..4       | q01-main2 0..4 checking 1..2   | q01-line.together  # for another try
q01-main1 26..28     | q01-main2 0..2 closed 1..9     | q01-line.soak    # it took longer
q01-main1 -3..-1     | q01-main2 0..2 under_way -2..  | q01-line.together  # begun before its time
# one command for both
q02-main1 0..4 ; q02-main2 0..4   |               | q02-line.together
q02-main1 0..4 ; q02-main2 4..8   |               |
# line ends: one outage, and a pair of versions
q01-main1 0..4       | q02-main1 0..4           |
q01-main1 0..4       | q02-main1 4..8           | tie.outage
q01-main1 0..4       | q02-main1 -4..0          | tie.outage
q01-main1 0..4       | q02-main1 4..8 closed 4..5     |
q01-main1 0..4 =5.1 SP2   |                     |                        # with 5.1, as it is
q02-main1 0..4 =5.1 SP2   |                     |                        # either way round
q01-main1 0..4 =V5.1SP2   |                     |                        # spelled otherwise
q01-main1 0..4 =5.2  |                          | tie.versions
q01-main1 0..4 =5.2  | q02-main1 0..4 =5.2      |
q01-main1 0..4 =5.2  | q02-main1 0..4 =5.2 cancelled  | tie.versions
q01-main1 0..4 =5.2  | q02-main1 0..4           | tie.versions
q01-main1 0..4       | q02-main1 0..4 =5.2      | tie.versions           # this end would stay
q01-main1 0..4 =5.2  | q02-main1 9..12 =5.2     | tie.outage
q01-main1 0..4 =5.2 ; q02-main1 0..4 =5.2  |    |
q01-main1 0..4 =5.2 ; q02-main1 0..4 =5.1 SP2 | | tie.versions
# the far end is in another substation, and says 5.1
q02-main2 0..4       |                          |
q02-main2 0..4 =5.2  |                          | dale.versions
q02-main2 0..4 =5.1.0 |                         |
# shared zone
b1-busbar 0..4       |                          | bus.decision
q01-main2 0..4       | q01-main1 0..4           | q01-line.together bus.decision
"""


def rows() -> list[str]:
    lines = (line.split("#")[0].strip() for line in CASES.splitlines())
    return [line for line in lines if line]


def planned(text: str) -> Plan:
    """q01-main1 0..4 =5.2"""
    who, _, version = text.partition("=")
    name, window = who.split()
    start, end = (float(hour) for hour in window.split(".."))
    expects = {"swRev": version.strip()} if version else {"configRev": "8"}
    kind = WorkKind.UPDATE if version else WorkKind.SETTINGS
    return plan(name, start=after(hours=start), end=after(hours=end), expects=expects, kind=kind)


def recorded(text: str) -> Work:
    """A plan, then its state and from when to when it really was out."""
    words = text.split()
    at = next((n for n, word in enumerate(words) if word in set(WorkState)), len(words))
    found = planned(" ".join(words[:at]))
    began, _, ended = words[at + 1].partition("..") if words[at + 1 :] else ("", "", "")
    return work(
        found.relay,
        plan=found,
        state=WorkState(words[at]) if words[at:] else WorkState.PLANNED,
        started_at=after(hours=float(began)) if began else None,
        ended_at=after(hours=float(ended)) if ended else None,
    )


@pytest.mark.parametrize("row", rows())
def test_plans_break_the_rules_that_the_table_says(row: str) -> None:
    new, known, rules = (part.strip() for part in row.split("|"))
    plans = [planned(one) for one in new.split(";")]
    found = broken(plans, state(*([recorded(known)] if known else [])), SITE)
    assert sorted(one.rule for one in found) == sorted(rules.split())


def test_work_on_record_is_not_held_against_itself() -> None:
    known = recorded("q02-main1 0..4")
    assert broken([known.plan], state(known), SITE) == ()


UNKNOWN = [{"nameplate": None}, {"nameplate": Nameplate(model="LARCH-21")}]


@pytest.mark.parametrize("told", UNKNOWN, ids=["never read", "without a version"])
def test_a_line_end_whose_firmware_nobody_knows_fits_no_other(told: dict[str, object]) -> None:
    found = broken([planned("q01-main1 0..4 =5.1 SP2")], state(q02_main1=told), SITE)
    assert [one.says for one in found] == [
        "nobody knows which firmware q02-main1 will run, so that it can't be said whether the two "
        "ends of the line (tie) will work together"
    ]


def test_firmware_entered_by_hand_counts_where_none_was_read() -> None:
    entered = Manual(values={"swRev": "5.2"}, read_at=after(days=-2), by="Ute")
    known = state(q02_main1={"nameplate": None, "manual": entered})
    assert broken([planned("q01-main1 0..4 =5.2")], known, SITE) == ()


def test_without_an_approved_list_versions_are_pairs_by_their_text() -> None:
    plain = site(FILE.replace("approved: approved.yaml\n", ""))
    rules = [one.rule for one in broken([planned("q01-main1 0..4 =V5.1SP2")], state(), plain)]
    assert rules == ["tie.versions"]


# rule; what is said of it; how to mend it
SENTENCES = {
    "q01-line.together": (
        "q01-main1 0..4 ; q01-main2 2..8",
        "q01-main1 and q01-main2 stand in for one another (q01-line) and would be out together: "
        "this work on q01-main1, 2026-03-02 08:00 UTC to 2026-03-02 12:00 UTC; "
        "this work on q01-main2, 2026-03-02 10:00 UTC to 2026-03-02 16:00 UTC",
        "give each a window of its own, one after the other",
    ),
    "q01-line.soak": (
        "q01-main1 0..4 ; q01-main2 5..8",
        "q01-main2 would be out less than 24 h after q01-main1, which stands in for it "
        "(q01-line): this work on q01-main1, 2026-03-02 08:00 UTC to 2026-03-02 12:00 UTC; "
        "this work on q01-main2, 2026-03-02 13:00 UTC to 2026-03-02 16:00 UTC",
        "leave 24 h after the end of the first, in which it shows what it does",
    ),
    "tie.outage": (
        "q01-main1 0..4 ; q02-main1 5..8",
        "q01-main1 and q02-main1 are two ends of one line (tie) and would be out one after the "
        "other: this work on q01-main1, 2026-03-02 08:00 UTC to 2026-03-02 12:00 UTC; "
        "this work on q02-main1, 2026-03-02 13:00 UTC to 2026-03-02 16:00 UTC",
        "give both ends the same window: one outage for both",
    ),
    "tie.versions": (
        "q02-main1 0..4 =5.2",
        "5.1 at q01-main1 and 5.2 at q02-main1 are no pair of versions that work together (tie)",
        "plan the other end with it, in the same outage, to a version of a pair",
    ),
    "dale.versions": (
        "q02-main2 0..4 =5.2",
        "5.2 at q02-main2 and 5.1 at Q09 main 2 in Dale are no pair of versions that work "
        "together (dale)",
        "agree one outage for both ends with that substation, and write the version that the far "
        "end is to have into the site file; or say why the work is done before",
    ),
    "bus.decision": (
        "b1-busbar 0..4",
        "b1-busbar acts for one zone together with q01-main2 (bus): whether it may be out is for "
        "a person to decide",
        "decide it with who operates the zone, and say why the work is done",
    ),
}


@pytest.mark.parametrize("rule", SENTENCES)
def test_a_broken_rule_says_what_is_wrong_and_how_to_mend_it(rule: str) -> None:
    new, says, cure = SENTENCES[rule]
    found = broken([planned(one) for one in new.split(";")], state(), SITE)
    assert [(one.says, one.cure) for one in found if one.rule == rule] == [(says, cure)]


def test_a_relay_may_be_in_several_groups() -> None:
    assert [name for name, _ in groups_of(SITE, "q01-main2")] == ["q01-line", "bus"]


def test_only_redundant_relays_stand_in_for_one_another() -> None:
    assert {one.id: partners(SITE, one.id) for one in SITE.file.relays} == {
        "q01-main1": ("q01-main2",),
        "q01-main2": ("q01-main1",),
        "q02-main1": ("q02-main2",),
        "q02-main2": ("q02-main1",),
        "b1-busbar": (),
        "k1-feeder": (),
    }


COUNTED = {
    "": "",
    "a": "a",
    "ab": "a and b",
    "abcd": "a, b, c and d",
    "abcdefg": "a, b, c, d and 3 more",
}


@pytest.mark.parametrize(("names", "told"), COUNTED.items())
def test_many_names_are_counted(names: str, told: str) -> None:
    assert several(names) == told


# Whatever is planned.

HOURS = st.integers(-40, 40)


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    start = draw(HOURS)
    version = draw(st.sampled_from(["", "=5.1", "=5.1 SP2", "=5.2", "=x" + "\u202e" * 300]))
    name = draw(st.sampled_from([one.id for one in SITE.file.relays]))
    return planned(f"{name} {start}..{start + draw(st.integers(1, 40))} {version}")


@st.composite
def known_works(draw: st.DrawFn) -> tuple[Work, ...]:
    def one(number: int) -> Work:
        of = draw(plans())
        began = draw(st.none() | HOURS.map(lambda hour: after(hours=hour)))
        ended = draw(st.none() | HOURS.map(lambda hour: after(hours=hour)))
        standing = draw(st.sampled_from(WorkState))
        return work(of.relay, number, plan=of, state=standing, started_at=began, ended_at=ended)

    return tuple(one(number) for number in range(draw(st.integers(0, 3))))


@given(st.lists(plans(), max_size=4), known_works())
def test_the_order_of_plans_does_not_matter(new: list[Plan], works: tuple[Work, ...]) -> None:
    found = broken(new, state(*works), SITE)
    assert set(found) == set(broken(new[::-1], state(*works), SITE))


@given(st.lists(plans(), max_size=4), known_works())
def test_what_is_broken_is_told_once_and_fits_an_event(
    new: list[Plan], works: tuple[Work, ...]
) -> None:
    found = broken(new, state(*works), SITE)
    assert len(set(found)) == len(found)
    assert all(shown(one.says, most=limits.REASON_MAX) == one.says for one in found)


@given(plans(), plans())
def test_redundant_relays_are_out_together_where_any_hour_is_shared(one: Plan, other: Plan) -> None:
    one, other = replace(one, relay="q02-main1"), replace(other, relay="q02-main2")
    rules = {found.rule for found in broken([one, other], state(), SITE)}
    assert ("q02-line.together" in rules) == bool(hours(one) & hours(other))


@given(plans(), plans())
def test_a_soak_is_as_long_whichever_relay_is_first(one: Plan, other: Plan) -> None:
    one, other = replace(one, relay="q01-main1"), replace(other, relay="q01-main2")
    rules = {found.rule for found in broken([one, other], state(), SITE)}
    wide = {hour + more for hour in hours(one) for more in range(-24, 25)}
    near = bool(wide & hours(other)) and not hours(one) & hours(other)
    assert ("q01-line.soak" in rules) == near


def hours(one: Plan) -> set[int]:
    """Every hour in which the relay is out, from T0."""
    first, last = ((at - after()).total_seconds() // 3_600 for at in (one.start, one.end))
    return set(range(int(first), int(last)))
