"""A check of what a file must hold together, beyond the type of a key, and what it finds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

from poller.model.problems import Problem
from poller.site.yaml_lines import Lined, Path

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    path: Path
    code: str
    what: str
    mend: str


@dataclass(frozen=True, slots=True)
class Check(Generic[T]):
    """find: the faults. needs: sections without which it would accuse falsely."""

    find: Callable[[T], Iterator[Fault]]
    needs: tuple[str, ...] = ()


def run(
    checks: Iterable[Check[T]],
    subject: T,
    source: Lined,
    file: str,
    cut: tuple[Path, ...] = (),
) -> list[Problem]:
    """What the checks find. cut: what was taken out of the subject because it is at fault itself.

    A fault around something that was cut is that thing's, and is not told again.
    """
    damaged = {path[0] for path in cut}
    return [
        problem(fault, source, file)
        for check in checks
        if not damaged.intersection(check.needs)
        for fault in check.find(subject)
        if not any(path[: len(fault.path)] == fault.path for path in cut)
    ]


def problem(fault: Fault, source: Lined, file: str) -> Problem:
    return Problem(
        code=fault.code,
        file=file,
        line=source.line(fault.path),
        at=source.spelled(fault.path),
        what=fault.what,
        mend=fault.mend,
    )
