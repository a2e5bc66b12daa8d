"""The folder of advisories, read; by a service that lives long only where something of it moved."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

from poller.model import limits
from poller.model.problems import Faulty, Problem
from poller.model.standing import State
from poller.planning.advisories import Held
from poller.planning.boxes import Box, boxes
from poller.planning.csaf import Advisory, read
from poller.planning.known import NONE, Documents, Known, held_of, known
from poller.site.settings import Site

Marks: TypeAlias = tuple[tuple[str, int, int], ...]
"""Of each file: name, time of its last change in ns, octets."""


def known_of(site_file: Path, site: Site, state: State) -> Known:
    """Everything that advisories and bulletins say of this site now."""
    folder = _folder(site_file, site)
    documents = Documents() if folder is None else read_folder(folder)
    return known(site, state, held_of(site, state, documents))


@dataclass(slots=True)
class Advisories:
    """known_of, for threads that ask again and again: the folder is read where something moved.

    Documents that concern no box are not kept: a folder may hold more than memory should.
    """

    site_file: Path
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _held_of: tuple[str, tuple[Box, ...], Marks] | None = None
    _held: Held = NONE

    def __call__(self, site: Site, state: State) -> Known:
        folder = _folder(self.site_file, site)
        if folder is None:
            return known(site, state, NONE)
        with self._lock:
            now = site.sha256, tuple(boxes(state)), _marks(folder)
            if now != self._held_of:
                self._held = held_of(site, state, read_folder(folder))
                self._held_of = now
            return known(site, state, self._held)


def _folder(site_file: Path, site: Site) -> Path | None:
    if site.advisories is None or site.file.advisories is None:
        return None
    return (site_file.parent / site.file.advisories).parent / site.advisories.folder


def _marks(folder: Path) -> Marks:
    found = []
    for path in _paths(folder)[: limits.CSAF_DOCUMENTS_MAX + 1]:
        try:
            told = path.stat()
        except OSError:  # it went away meanwhile
            continue
        found.append((str(path), told.st_mtime_ns, told.st_size))
    return tuple(found)


def _paths(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*.json") if path.is_file())


def read_folder(folder: Path) -> Documents:
    """Every .json file in it and in its folders; a maker's own folders are one a year."""
    found: list[Advisory] = []
    problems: list[Problem] = []
    if not folder.is_dir():
        what, mend = "there is no such folder", "make it, and put the documents there"
        fault = Problem(code="advisory-unreadable", file=str(folder), what=what, mend=mend)
        return Documents(problems=(fault,))
    paths = _paths(folder)
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
    return Documents(advisories=tuple(found), problems=tuple(problems))
