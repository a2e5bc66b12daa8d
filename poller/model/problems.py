"""What is wrong with a file or a wish, where, and how to mend it; each under a stable code."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from poller.model import limits
from poller.model.problem_codes import CODES
from poller.model.text import shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One fault. code: a key of CODES; where: file and line; at: path in the file.

    All but the code may hold what stands in a file, so it is made safe to show and cut.
    """

    code: str
    file: str
    line: int | None = None
    at: str = ""  # identity.swRev
    what: str
    mend: str

    def __post_init__(self) -> None:
        assert self.code in CODES, f"a problem code that no one can look up: {self.code}"
        for name in ("file", "at", "what", "mend"):
            safe = shown(getattr(self, name), limits.PROBLEM_TEXT_MAX)
            object.__setattr__(self, name, safe)

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        subject = f"{self.at}: " if self.at else ""
        return f"{place}: {subject}{self.what} [{self.code}]\n    mend: {self.mend}"


class Faulty(Exception):
    """Input that can't be used; carries every problem found, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))
