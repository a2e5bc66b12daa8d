"""Sentences for service bulletins, evaluations, exceptions and checked packages."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from poller.answers.due_words import SEVERITY, SIGNATURE
from poller.answers.words import count, quoted, said
from poller.answers.work_sentences import by, reference
from poller.model import events as ev
from poller.model import limits
from poller.model.standing import State


def _added(body: ev.BulletinAdded, event: ev.Event) -> str:
    if body.family is None:
        about = count(len(body.relays), "relay", "relays")
    else:
        versions = "all versions" if body.versions is None else f"versions {quoted(body.versions)}"
        about = f"{versions} of family {quoted(body.family)}"
    fixed = "" if body.fixed_in is None else f", fixed in {quoted(body.fixed_in)}"
    return (
        f"Service bulletin {quoted(body.bulletin)} was entered{by(event)}: "
        f"{SEVERITY[body.severity]}; about {about}{fixed}: {said(body.title)}"
        f"{reference(body.reference)}"
    )


def _package(body: ev.PackageChecked, event: ev.Event) -> str:
    came = "nothing speaks against it" if not body.against else "; ".join(body.against)
    return (
        f"Package {quoted(body.file)} for {quoted(body.rule)} {quoted(body.version)} was "
        f"checked{by(event)}: {body.size:,} octets, SHA-256 {quoted(body.sha256)}, "
        f"{SIGNATURE[body.signature]}, for {count(len(body.relays), 'relay', 'relays')}: "
        f"{said(came, limits.REASON_MAX)} The digest: {said(body.source)}"
    )


def _given(body: ev.ExceptionGiven, event: ev.Event, state: State) -> str:
    return (
        f"exception {quoted(body.exception)} was given{by(event)}, what is due may wait until "
        f"{quoted(body.until)}: {said(body.why)}"
    )


def _ended(body: ev.ExceptionEnded, event: ev.Event, state: State) -> str:
    return f"exception {quoted(body.exception)} was ended{by(event)}: {said(body.why)}"


ENTERED: Final[dict[str, Callable[[Any, ev.Event], str]]] = {
    "bulletin_added": _added,
    "bulletin_closed": lambda b, e: (
        f"Service bulletin {quoted(b.bulletin)} was closed{by(e)}: {said(b.why)}"
    ),
    "evaluation_entered": lambda b, e: (
        f"What {quoted(b.vendor)} released was evaluated{by(e)}: {said(b.found)}"
    ),
    "package_checked": _package,
}
ABOUT_RELAYS: Final[dict[str, Callable[[Any, ev.Event, State], str]]] = {
    "exception_given": _given,
    "exception_ended": _ended,
}
