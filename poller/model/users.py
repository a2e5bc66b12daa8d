"""Who signs in to the page, in which roles, and the one table of what each role may do.

The names of the roles are those of IEC 62351-8 (from memory). A person may have several.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from poller.model.canonical import Utc


class Role(StrEnum):
    VIEWER = "viewer"
    OPERATOR = "operator"
    ENGINEER = "engineer"
    SECURITY_ADMINISTRATOR = "security_administrator"
    AUDITOR = "auditor"


LOOK: Final = "look"
EVIDENCE: Final = "evidence"
USERS: Final = "users"

MAY: Final[dict[Role, frozenset[str]]] = {
    Role.VIEWER: frozenset({LOOK}),
    Role.OPERATOR: frozenset(
        {LOOK, "alarm_ack", "alarm_shelve", "alarm_unshelve", "alarm_reset"},
    ),
    Role.ENGINEER: frozenset(
        {
            LOOK,
            "alarm_out_of_service",
            "alarm_return",
            "baseline_accept",
            "bulletin_add",
            "bulletin_close",
            "disposition_give",
            "evaluation_enter",
            "exception_end",
            "exception_give",
            "investigation_link",
            "package_record",
            "pause",
            "reading_enter",
            "resume",
            "spare_remove",
            "spare_shelve",
            "work_add",
            "work_cancel",
            "work_close",
            "work_end",
            "work_note",
            "work_start",
        }
    ),
    Role.SECURITY_ADMINISTRATOR: frozenset(
        {LOOK, USERS, "user_add", "user_change", "user_remove"},
    ),
    Role.AUDITOR: frozenset({LOOK, EVIDENCE}),
}
"""look: at every view; evidence: whole files of the journal; users: who signs in; else commands."""


def may(roles: Collection[Role], what: str) -> bool:
    return any(what in MAY[role] for role in roles)


def who_may(what: str) -> tuple[Role, ...]:
    """Empty for what no role gives."""
    return tuple(role for role in Role if what in MAY[role])


def says(role: Role) -> str:
    """security administrator."""
    return role.replace("_", " ")


class UserHappening(StrEnum):
    ADDED = "added"
    ROLES_CHANGED = "roles_changed"
    PASSWORD_CHANGED = "password_changed"  # noqa: S105 - the name of a happening
    REMOVED = "removed"


class SessionHappening(StrEnum):
    SIGNED_IN = "signed_in"
    SIGNED_OUT = "signed_out"
    OVER = "over"  # by time, by a new password, or since the user was removed


SIGN_IN: Final = "sign_in"
FORM: Final = "form"
"""What may be refused beside a right: to sign in, and a form or header that was not theirs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class User:
    """password_at: when the present password was set; it stands elsewhere, as a hash, and never
    in the journal."""

    roles: tuple[Role, ...]
    password_at: Utc
