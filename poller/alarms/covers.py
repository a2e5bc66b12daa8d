"""What planned work causes, and for how long that is kept from the operator.

Only what the work itself brings about: that the relay is silent or can't be read, the version that
was planned, and the flags that such work raises. It is kept back from the start of the work until
it came out one way or the other, and never past its window; what then remains is told.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from poller.model.standing import Relay, shown
from poller.model.work import Work, WorkKind, WorkState
from poller.site.approved import rule_for, step_for
from poller.site.settings import Site

COVERING: Final = frozenset({WorkState.UNDER_WAY, WorkState.WAITING_FOR_RELAY, WorkState.CHECKING})
"""Begun, and it has not come out yet. Cancelled work never began."""
NOT_BEGUN: Final = frozenset({WorkState.PLANNED, WorkState.READY, WorkState.CANCELLED})

RAISES: Final = {
    WorkKind.UPDATE: frozenset({"firmware_changed", "restart_pending"}),
    WorkKind.ROLLBACK: frozenset({"firmware_changed", "restart_pending"}),
    WorkKind.SETTINGS: frozenset({"settings_changed", "restart_pending"}),
    WorkKind.REPLACEMENT: frozenset(
        {"firmware_changed", "hardware_changed", "settings_changed", "restart_pending"}
    ),
}
"""Flags that a kind of work raises. Settings that do not survive a step are added to it."""

SETTINGS: Final = "settings_changed"


def begun_at(work: Work) -> datetime | None:
    """When it first began; None: it never did."""
    if work.state in NOT_BEGUN:
        return None
    if work.started_at is None:  # nobody said so, but what was planned was read
        return work.plan.start
    # of several tries only the last is known, and the first was in the window
    return min(work.started_at, work.plan.start) if work.tries > 1 else work.started_at


def covers(work: Work, at: datetime) -> bool:
    """What it causes is still kept from the operator."""
    return work.state in COVERING and at < work.plan.end


def raised_by(
    works: Iterable[Work], flag: str, since: datetime, relay: Relay, site: Site
) -> Work | None:
    """The work on this relay that raised the flag, open or ended; None: none did.

    since: when the flag was first read.
    """
    for work in works:
        begun = begun_at(work)
        if begun is None or since < begun or not _raises(work, flag, relay, site):
            continue
        if work.state in COVERING or since <= (work.came_out_at or work.since):
            return work
    return None


def caused(
    works: Iterable[Work], since: datetime | None, at: datetime, before_s: float = 0.0
) -> str | None:
    """The id of the covering work during which something came to be so; None: there is none.

    since: None where nothing says. before_s: by how much it may seem to be older than the work.
    """
    for work in works:
        begun = begun_at(work)
        if begun is None or not covers(work, at):
            continue
        if since is None or since >= begun - timedelta(seconds=before_s):
            return work.id
    return None


def planned(works: Iterable[Work], values: dict[str, str], at: datetime) -> str | None:
    """The id of the covering work that expects one of these values; None: there is none.

    values: as in nameplate.flat.
    """
    for work in works:
        expects = work.plan.expects
        if covers(work, at) and any(values.get(name) == text for name, text in expects.items()):
            return work.id
    return None


def _raises(work: Work, flag: str, relay: Relay, site: Site) -> bool:
    if flag in RAISES[work.plan.kind]:
        return True
    return flag == SETTINGS and _loses_settings(work, relay, site)


def _loses_settings(work: Work, relay: Relay, site: Site) -> bool:
    """The approved list says that a step of this work does not leave the settings as they were."""
    plate = shown(relay)
    if site.approved is None or plate is None:
        return False
    for attribute, after in work.plan.expects.items():
        rule = rule_for(site.approved, plate, attribute)
        before = work.plan.before.get(attribute)
        step = None if rule is None or before is None else step_for(rule, before, after)
        if step is not None and not step.settings_survive:
            return True
    return False
