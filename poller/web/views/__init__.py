"""What a person sees. Each view is a module with a router, and a line in the list of ways."""

from __future__ import annotations

from poller.web.views import (
    about,
    acts,
    alarms,
    changes,
    due,
    evidence,
    measures,
    own_password,
    plan,
    relay,
    relays,
    users,
    versions,
    work,
)

VIEWS = (
    relays,
    relay,
    measures,
    alarms,
    changes,
    work,
    due,
    plan,
    versions,
    evidence,
    users,
    own_password,
    about,
    acts,
)
