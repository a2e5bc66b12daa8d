"""Of an entry `opcua` in outputs."""

from __future__ import annotations

import importlib.util
from typing import Annotated

from pydantic import Field

from poller.model import limits
from poller.site.settings import Port, Secret, Text
from poller.site.strict import Many, Strict

Severity = Annotated[int, Field(ge=1, le=1_000, description="OPC 10000-5, 6.4.2: 1 to 1,000")]


class Person(Strict):
    """Who may sign in, and acknowledge where the site acknowledges over OPC UA."""

    name: Annotated[str, Field(min_length=1, max_length=limits.PERSON_MAX)]
    password: Secret


class Severities(Strict):
    """Of each priority. The middle of the thirds into which client displays part 1 to 1,000."""

    high: Severity = 834
    medium: Severity = 500
    low: Severity = 167


class OpcUaSettings(Strict):
    """anonymous: everybody who reaches the port may read, without a name, a certificate or a secret
    channel. certificate, key: PEM; without them both are made beside the journal. trusted: the
    folder with the certificates of clients.
    """

    host: Text = "127.0.0.1"
    port: Port = 4840
    anonymous: bool = False
    people: Annotated[Many[Person], Field(max_length=limits.OPCUA_PEOPLE_MAX)] = ()
    certificate: Text | None = None
    key: Text | None = None
    trusted: Text = "opcua-trusted"
    sessions_max: Annotated[
        int, Field(ge=1, le=limits.OPCUA_SESSIONS_MAX, description="clients at once")
    ] = 16
    severities: Severities = Severities()


def wrong_with(settings: OpcUaSettings) -> tuple[str, str, str, str] | None:
    """Code, place, what, mend."""
    names = [person.name for person in settings.people]
    if importlib.util.find_spec("asyncua") is None:
        what, mend = "asyncua is not installed", "install it: pip install 'bayroll[opcua]'"
        return "output-not-loadable", "", what, mend
    if not names and not settings.anonymous:
        mend = "add people: with name and password, or anonymous: true"
        return "output-settings", ".people", "nobody may read", mend
    if len(set(names)) < len(names):
        return "output-settings", ".people", "two have one name", "give each a name of their own"
    if any((one.password.env is None) == (one.password.file is None) for one in settings.people):
        mend = "name the one place that holds it: env: NAME, or file: PATH"
        return "site-secret", ".people", "a password names no source, or two", mend
    if (settings.certificate is None) != (settings.key is None):
        mend = "name both, or neither: then they are made"
        return "output-tls", ".certificate", "a certificate and its key go together", mend
    return None
