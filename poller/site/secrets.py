"""No secret stands in a site file: its text is shown, recorded in the journal and passed on."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Final

from poller.model.problems import Problem
from poller.site.yaml_lines import Lined, Path

SECRET: Final = re.compile(r"pass(word|wd|phrase|wort)?|pwd|secret|token|credentials?|user(name)?")
SOURCES: Final = ("env", "file")
IN_ADDRESS: Final = re.compile(r"[^/@\s]+@")  # user:password@host


def hides_secret(path: Path) -> bool:
    """Whether a value at this path may be a secret, so that no message may repeat it."""
    return any(_is_secret(step) for step in path)


def secret_problems(source: Lined, file: str) -> Iterator[Problem]:
    """Every place in a site file where a secret itself stands, or may stand."""
    for path, value in _leaves(source.value, ()):
        in_address = path[-1:] == ("host",) and isinstance(value, str) and IN_ADDRESS.match(value)
        named = next((at for at, step in enumerate(path) if _is_secret(step)), None)
        if in_address or (named is not None and not _is_source(path[named + 1 :], value)):
            yield secret_problem(path, source, file)


def secret_problem(path: Path, source: Lined, file: str) -> Problem:
    return Problem(
        code="secret-in-file",
        file=file,
        line=source.line(path),
        at=source.spelled(path),
        what="a user or password does not belong in a file that is shown and recorded",
        mend="name an environment variable (env: NAME) or a file (file: PATH) that holds it, "
        "and choose a new password: this one was written down",
    )


def _is_secret(step: str | int) -> bool:
    return isinstance(step, str) and SECRET.fullmatch(step.lower()) is not None


def _is_source(rest: Path, value: Any) -> bool:
    """env: NAME or file: PATH, and nothing else below the secret's key."""
    return value is None or (len(rest) == 1 and rest[0] in SOURCES)


def _leaves(value: Any, path: Path) -> Iterator[tuple[Path, Any]]:
    """Scalars with their paths; depth is bounded by the reader of the text."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, (*path, key))
    elif isinstance(value, list):
        for at, inner in enumerate(value):
            yield from _leaves(inner, (*path, at))
    else:
        yield path, value
