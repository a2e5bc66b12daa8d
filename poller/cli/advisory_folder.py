"""The folder of advisories, read; and what is known of a site for whoever plans its updates."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from poller.cli import common
from poller.cli.common import Where
from poller.model import limits
from poller.model.problems import Faulty, Problem
from poller.model.standing import State
from poller.planning.advisories import Held, held
from poller.planning.boxes import boxes
from poller.planning.bulletins import Concerned, concerned
from poller.planning.csaf import Advisory, newest, read
from poller.site.settings import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """named: the site names a file of families, so that its folder was read."""

    site: Site
    state: State
    held: Held
    concerned: tuple[Concerned, ...]
    named: bool


def known(place: Where) -> Known:
    """Everything that advisories and bulletins say of this site now. Raises Faulty."""
    site = common.site_of(place)
    with common.journal(place) as journal:
        state = journal.state()
    families = site.advisories
    all_boxes = tuple(boxes(state))
    found = Held(findings=(), elsewhere=(), unusable=())
    if families is not None and site.file.advisories is not None:
        assert place.site_file is not None, "the site was read from it"
        file = place.site_file.parent / site.file.advisories
        advisories, problems = _folder(file.parent / families.folder)
        told = held(newest(advisories), families, all_boxes)
        found = Held(
            findings=told.findings,
            elsewhere=told.elsewhere,
            unusable=(*problems, *told.unusable),
        )
    about = tuple(concerned(state.bulletins.values(), families, all_boxes))
    return Known(site=site, state=state, held=found, concerned=about, named=families is not None)


def _folder(folder: Path) -> tuple[list[Advisory], list[Problem]]:
    """Every .json file in it and in its folders; a maker's own folders are one a year."""
    found: list[Advisory] = []
    problems: list[Problem] = []
    if not folder.is_dir():
        what, mend = "there is no such folder", "make it, and put the documents there"
        return [], [Problem(code="advisory-unreadable", file=str(folder), what=what, mend=mend)]
    paths = sorted(path for path in folder.rglob("*.json") if path.is_file())
    for path in paths[: limits.CSAF_DOCUMENTS_MAX]:
        name = str(path.relative_to(folder))
        try:
            with path.open("rb") as opened:
                found.append(read(opened.read(limits.CSAF_BYTES_MAX + 1), name))
        except OSError as reason:
            what, mend = f"it can't be read: {reason.strerror}", "let whoever runs this read it"
            problems.append(Problem(code="advisory-unreadable", file=name, what=what, mend=mend))
        except Faulty as faulty:
            problems += faulty.problems
    if len(paths) > limits.CSAF_DOCUMENTS_MAX:
        what = f"{len(paths):,} documents; the first {limits.CSAF_DOCUMENTS_MAX:,} were read"
        mend = "move those that no relay here can be concerned by elsewhere"
        problems.append(Problem(code="advisory-too-big", file=str(folder), what=what, mend=mend))
    return found, problems
