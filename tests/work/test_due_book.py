"""Bulletins, evaluations, exceptions and checked packages: what is taken, refused, and kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from poller.decide import Input, SiteRead, decide
from poller.model import limits
from poller.model.due import Severity, Signature
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.site.load import load_site
from poller.state import fold
from poller.work import requests as ask
from tests.planning.documents import FAMILIES

DIGEST = "ab" * 32
SITE = """\
format: 1
site: hollin
name: Hollin 132 kV
relays: [{id: q01-main1, bay: Q01, function: main 1, host: 127.1.0.7, maps: [any]}]
"""


class Desk:
    """A site with families of advisories, at which people say what they enter."""

    def __init__(self) -> None:
        site = load_site("site.yaml", lambda path: SITE)
        self.site = replace(site, advisories=FAMILIES)
        self.now = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
        self.state = State()
        self.ask(SiteRead())

    def ask(self, given: Input) -> None:
        events = decide(self.state, self.site, given, self.now, by="J. Kral").events
        self.state = fold(self.state, enumerate(events, start=self.state.seq + 1))


@pytest.fixture
def made() -> Desk:
    return Desk()


def bulletin(**more: Any) -> ask.AddBulletin:
    given: dict[str, Any] = {"title": "may stay blocked", "severity": Severity.FAILURE_TO_TRIP}
    return ask.AddBulletin(**(given | {"family": "larch"} | more))


def test_a_bulletin_about_a_family_stands_until_it_is_closed(made: Desk) -> None:
    made.ask(bulletin(versions="vers:generic/>=5.0|<5.1%20SP3", fixed_in="5.1 SP3"))
    one = made.state.bulletins["b1"]
    assert (one.family, one.versions, one.fixed_in, one.closed_at) == (
        "larch",
        "vers:generic/>=5.0|<5.1%20SP3",
        "5.1 SP3",
        None,
    )
    made.ask(ask.CloseBulletin(bulletin="b1", why="settled"))
    assert (made.state.bulletins["b1"].closed_at, made.state.bulletins["b1"].why) == (
        made.now,
        "settled",
    )


def test_ids_are_never_given_twice(made: Desk) -> None:
    for _ in range(3):
        made.ask(bulletin())
    assert sorted(made.state.bulletins) == ["b1", "b2", "b3"]


REFUSED = [
    (bulletin(family=None), "name one of the two"),
    (bulletin(relays=("q01-main1",)), "name one of the two"),
    (bulletin(family="otter"), "no family of advisories; use one of larch, larch-boot"),
    (bulletin(family=None, relays=("q99",)), "q99: the site lists no such relay"),
    (bulletin(family=None, relays=("q01-main1",), versions="vers:x/1"), "versions are those of"),
    (bulletin(versions="<5.2"), "--versions: <5.2: it is no vers: range"),
    (ask.CloseBulletin(bulletin="b9", why="x"), "b9: no such bulletin"),
    (ask.GiveException(relay="q99", until="2026-09-30", why="x"), "q99: the site lists no such"),
    (ask.GiveException(relay="q01-main1", until="2026-9-30", why="x"), "write it as 2026-03-01"),
    (ask.GiveException(relay="q01-main1", until="2020-01-01", why="x"), "give a day to come"),
    (ask.GiveException(relay="q01-main1", until="2096-01-01", why="x"), "at most three years"),
    (ask.EndException(exception="e9", why="x"), "e9: no such exception"),
]


@pytest.mark.parametrize(("given", "says"), REFUSED)
def test_what_makes_no_sense_is_refused_with_why(made: Desk, given: Any, says: str) -> None:
    with pytest.raises(Refusal) as reason:
        made.ask(given)
    assert says in str(reason.value)


def test_without_a_file_of_families_a_bulletin_is_told_how_to_name_one(made: Desk) -> None:
    made.site = replace(made.site, advisories=None)
    with pytest.raises(Refusal, match="the site names none: advisories:"):
        made.ask(bulletin())


def test_too_many_open_bulletins_are_refused(made: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "BULLETINS_KEPT", 1)
    made.ask(bulletin())
    with pytest.raises(Refusal, match="close those that are settled"):
        made.ask(bulletin())


def test_closed_bulletins_make_room(made: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "BULLETINS_KEPT", 1)
    made.ask(bulletin())
    made.ask(ask.CloseBulletin(bulletin="b1", why="x"))
    made.ask(bulletin())
    assert list(made.state.bulletins) == ["b2"]


def test_the_last_evaluation_of_a_maker_counts(made: Desk) -> None:
    made.ask(ask.EnterEvaluation(vendor="Tarnwick Electric", found="5.2 with a fix"))
    made.now += timedelta(minutes=5)
    made.ask(ask.EnterEvaluation(vendor="Tarnwick Electric", found="nothing"))
    one = made.state.evaluations["Tarnwick Electric"]
    assert (one.at, one.found) == (made.now, "nothing")


def test_an_exception_stands_once_and_a_new_one_follows_one_that_is_over(made: Desk) -> None:
    day = made.now.date()
    first = ask.GiveException(relay="q01-main1", until=day.isoformat(), why="no outage")
    made.ask(first)
    with pytest.raises(Refusal, match="end that one first"):
        made.ask(first)
    made.now += timedelta(days=1)
    made.ask(replace(first, until="2026-09-30"))
    assert [(one.id, one.until) for one in made.state.exceptions.values()] == [("e2", "2026-09-30")]


def test_an_exception_is_ended_once(made: Desk) -> None:
    made.ask(ask.GiveException(relay="q01-main1", until="2026-09-30", why="no outage"))
    made.ask(ask.EndException(exception="e1", why="updated"))
    with pytest.raises(Refusal, match="it was ended"):
        made.ask(ask.EndException(exception="e1", why="again"))


def package(sha256: str = DIGEST, *against: str) -> ask.RecordPackage:
    return ask.RecordPackage(
        file="a.zip",
        size=3,
        sha256=sha256,
        rule="larch",
        version="5.2",
        signature=Signature.NONE,
        relays=("q01-main1",),
        against=against,
        source="its release note",
    )


def test_the_last_check_of_a_package_counts(made: Desk) -> None:
    made.ask(package(DIGEST, "too small"))
    made.ask(package())
    assert [one.passed for one in made.state.packages.values()] == [True]


def test_of_packages_the_last_are_kept(made: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "PACKAGES_KEPT", 2)
    for digest in ("aa" * 32, "cc" * 32, "bb" * 32):
        made.ask(package(digest))
        made.now += timedelta(minutes=1)
    assert sorted(made.state.packages) == ["bb" * 32, "cc" * 32]
