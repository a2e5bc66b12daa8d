"""Sentences over who came to the page, left it, or was refused."""

from __future__ import annotations

from poller.answers.rights import DOES
from poller.answers.words import count, moment, quoted
from poller.model import events as ev
from poller.model.users import FORM, SIGN_IN, SessionHappening


def session(body: ev.SessionChanged) -> str:
    user = f"User {quoted(body.user)}"
    if body.happening is SessionHappening.OVER:
        told = f"{user} was signed out: the session was over"
    else:
        told = f"{user} signed {'in' if body.happening is SessionHappening.SIGNED_IN else 'out'}"
    return f"{told}{_from(body)}{_times(body)}."


def refused(body: ev.AccessRefused) -> str:
    if body.what == SIGN_IN:
        name = "a name that nobody has" if body.user is None else f"the name {quoted(body.user)}"
        if body.times > 1:
            whose = "" if body.user is None else f" with {name}"
            return f"Signing in{whose} was refused{_from(body)}{_times(body)}."
        return f"Signing in with {name} was refused{_from(body)}."
    who = "Somebody who is not signed in" if body.user is None else f"User {quoted(body.user)}"
    if body.what == FORM:
        return f"{who} sent a form that is not of this session, refused{_from(body)}{_times(body)}."
    does = DOES.get(body.what) or f"do {quoted(body.what)}"
    return f"{who} asked to {does} and may not{_from(body)}{_times(body)}."


def _from(body: ev.SessionChanged | ev.AccessRefused) -> str:
    if body.address is not None:
        return f", from {quoted(body.address)}"
    return ", from several addresses" if body.times > 1 else ""


def _times(body: ev.SessionChanged | ev.AccessRefused) -> str:
    if body.times == 1:
        return ""
    since = "" if body.since is None else f" since {moment(body.since)}"
    return f", {count(body.times, 'time', 'times')}{since}"
