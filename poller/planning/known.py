"""What advisories and bulletins say of a site: all that is planned from, beside its state."""

from __future__ import annotations

from dataclasses import dataclass

from poller.model.problems import Problem
from poller.model.standing import State
from poller.planning.advisories import Held, held
from poller.planning.boxes import boxes
from poller.planning.bulletins import Concerned, concerned
from poller.planning.csaf import Advisory, newest
from poller.site.settings import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Documents:
    """A folder as it was read. problems: what of it can't be used, and why."""

    advisories: tuple[Advisory, ...] = ()
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """named: the site names a file of families, so that its folder was read."""

    site: Site
    state: State
    held: Held
    concerned: tuple[Concerned, ...]
    named: bool


def known(site: Site, state: State, told: Held) -> Known:
    """told: the documents of its folder, held against the boxes of this state."""
    about = concerned(state.bulletins.values(), site.advisories, boxes(state))
    return Known(
        site=site,
        state=state,
        held=told,
        concerned=tuple(about),
        named=site.advisories is not None,
    )


def held_of(site: Site, state: State, documents: Documents) -> Held:
    """Documents against everything that stands or lies somewhere. The newest of each counts."""
    if site.advisories is None:
        return NONE
    found = held(newest(documents.advisories), site.advisories, boxes(state))
    return Held(
        findings=found.findings,
        elsewhere=found.elsewhere,
        unusable=(*documents.problems, *found.unusable),
    )


NONE = Held(findings=(), elsewhere=(), unusable=())
