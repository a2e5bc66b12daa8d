"""What a person sees. Each view is a module with a router, and a line in the list of ways."""

from __future__ import annotations

from poller.web.views import about, acts, alarms, changes, own_password, relay, relays, users, work

VIEWS = (relays, relay, alarms, changes, work, users, own_password, about, acts)
