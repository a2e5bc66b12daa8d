"""Which outputs there are, and opening those that a site names."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from importlib.metadata import EntryPoint, entry_points
from ipaddress import ip_address
from typing import Any, Final

from pydantic import ValidationError

from poller.model.problems import Faulty, Problem
from poller.publishing.ports import Context, Opener, Output
from poller.site import yaml_lines
from poller.site.settings import Site

GROUP: Final = "bayroll.outputs"
LOOPBACK: Final = "127.0.0.1"

ContextFor = Callable[[str], Context]
"""An output's name to what it is given when it is opened."""


def found() -> dict[str, EntryPoint]:
    """Installed outputs by name, ours included."""
    return {point.name: point for point in entry_points(group=GROUP)}


def open_outputs(
    site: Site,
    context_for: ContextFor,
    *,
    file: str = "site",
    installed: dict[str, EntryPoint] | None = None,
) -> tuple[list[Output], list[Problem]]:
    """Those named in site.outputs, in the file's order, and what is wrong with the others.

    Opening connects to nothing. file: the site file's name, for the problems.
    """
    points = found() if installed is None else installed
    outputs: list[Output] = []
    problems: list[Problem] = []
    for name in site.file.outputs:
        try:
            outputs.append(_open(name, points, context_for, file))
        except Faulty as faults:
            # an output knows its settings, not the file they came from
            problems += [replace(one, file=one.file or file) for one in faults.problems]
    problems += _twice(site, outputs, file)
    once = dict.fromkeys(problems)  # two outputs may have one broker
    return outputs, list(_with_lines(once, site, file))


def _with_lines(problems: Iterable[Problem], site: Site, file: str) -> Iterator[Problem]:
    """Outputs know their settings, and not where the site file has them."""
    text = next(iter(site.texts.values()), "")
    source = yaml_lines.read(text, file) if text and problems else None
    for one in problems:
        if source is None or one.file != file or one.line is not None:
            yield one
            continue
        path = tuple(int(step) if step.isdecimal() else step for step in one.at.split("."))
        yield replace(one, line=source.line(path))


def _twice(site: Site, outputs: Sequence[Output], file: str) -> Iterator[Problem]:
    """Where somebody listens already. Only the first to come would get the port."""
    page = site.file.page
    taken = [("the page is served", page.host, page.port)] if page is not None else []
    for one in outputs:
        place: tuple[str, int] | None = getattr(one, "listens", None)
        if place is None:
            continue
        host, port = place
        for whose, other, same in taken:
            if port == same and _meet(host, other):
                yield Problem(
                    code="output-port-twice",
                    file=file,
                    at=f"outputs.{one.name}.port",
                    what=f"on {other}:{port} {whose}",
                    mend="give one of them another port:, or a host: of its own",
                )
                break
        taken.append((f"outputs.{one.name} listens", host, port))


def _meet(host: str, other: str) -> bool:
    """One of them is the other, or every address of this machine of that kind."""
    if host == other:
        return True
    try:
        one, two = (ip_address(name.replace("localhost", LOOPBACK)) for name in (host, other))
    except ValueError:
        return False  # a name may be any of them
    return one == two or (one.version == two.version and (one.is_unspecified or two.is_unspecified))


def _open(name: str, points: dict[str, EntryPoint], context_for: ContextFor, file: str) -> Output:
    at = f"outputs.{name}"
    if name not in points:
        raise Faulty([_unknown(name, points, file, at)])
    try:
        opener: Opener = points[name].load()
    except Exception as reason:  # a package of somebody else's: whatever it does on import
        raise Faulty(
            [
                Problem(
                    code="output-not-loadable",
                    file=file,
                    at=at,
                    what=f"the output is installed but does not load: {reason!r}",
                    mend="install what it needs, or take it out of outputs",
                )
            ]
        ) from reason
    try:
        return opener(context_for(name))
    except ValidationError as reason:
        raise Faulty(faults_of(reason, file, at)) from reason


def _unknown(name: str, points: Iterable[str], file: str, at: str) -> Problem:
    known = ", ".join(sorted(points)) or "none"
    return Problem(
        code="output-unknown",
        file=file,
        at=at,
        what=f"no installed output is called {name}",
        mend=f"name one of: {known}",
    )


def faults_of(reason: ValidationError, file: str, at: str) -> list[Problem]:
    """What is wrong with settings. at: where the file has them."""
    return [
        Problem(
            code="output-settings",
            file=file,
            at=".".join((at, *(str(step) for step in error["loc"]))),
            # not the value: somebody may have put a password where its name belongs
            what=_words(error),
            mend="correct or take out this setting",
        )
        for error in reason.errors(include_url=False, include_input=False)
    ]


def _words(error: Any) -> str:
    """Pydantic's, but for those that are of its own trade."""
    if error["type"] == "extra_forbidden":
        return "there is no such setting"
    return str(error["msg"]).removeprefix("Value error, ")
