"""People who sign in: the table of rights, and what is asked about them."""

from __future__ import annotations

from typing import Any

import pytest

from poller.edges.commands import COMMANDS, command
from poller.model import limits
from poller.model.events import Event, UserChanged
from poller.model.refusal import Refusal
from poller.model.standing import State
from poller.model.users import EVIDENCE, LOOK, MAY, USERS, Role, UserHappening, may
from poller.people import decided
from poller.state import fold
from tests.answers.world import NOW, ago

# IEC 62351-8, predefined roles, from memory; RBACMNT and INSTALLER have nothing to do here.
NAMES = {"viewer", "operator", "engineer", "security_administrator", "auditor"}


def test_roles_are_those_of_the_standard() -> None:
    assert {role.value for role in Role} == NAMES


def test_every_command_is_some_roles_and_no_right_is_for_a_command_that_is_none() -> None:
    given = frozenset().union(*MAY.values())
    assert given - {LOOK, EVIDENCE, USERS} == COMMANDS.keys()


@pytest.mark.parametrize("role", Role)
def test_who_may_do_anything_may_look(role: Role) -> None:
    assert may([role], LOOK)


# The issue's own words for who may what.
RIGHTS = """
viewer                   look       alarm_ack
operator                 alarm_ack  baseline_accept
operator                 alarm_shelve  work_add
engineer                 baseline_accept  alarm_ack
engineer                 work_start  user_add
engineer                 disposition_give  evidence
security_administrator   user_remove  work_add
auditor                  evidence  alarm_shelve
"""


@pytest.mark.parametrize("line", RIGHTS.strip().splitlines())
def test_a_role_may_the_first_and_not_the_second(line: str) -> None:
    role, first, second = line.split()
    assert (may([Role(role)], first), may([Role(role)], second)) == (True, False)


def after(state: State, op: str, **args: Any) -> State:
    """The state after a command as the control socket would bring it."""
    told = decided(state, command(op, args))  # type: ignore[arg-type]
    events = [Event(at=NOW, subject=subject, body=body, by="root") for subject, body in told]
    return fold(state, enumerate(events, state.seq + 1))


def one(*roles: str) -> State:
    return after(State(), "user_add", user="j.kral", roles=roles or ("viewer",))


def test_a_person_has_each_role_once() -> None:
    state = one("engineer", "operator", "engineer")
    assert state.users["j.kral"].roles == (Role.OPERATOR, Role.ENGINEER)


def test_other_roles_leave_the_password_what_it_was() -> None:
    state = fold(
        State(),
        [
            (
                1,
                Event(
                    at=ago(days=1),
                    subject="",
                    body=UserChanged(
                        user="j.kral", happening=UserHappening.ADDED, roles=(Role.VIEWER,)
                    ),
                ),
            )
        ],
    )
    changed = after(state, "user_change", user="j.kral", roles=["operator"])
    assert changed.users["j.kral"].roles == (Role.OPERATOR,)
    assert changed.users["j.kral"].password_at == ago(days=1)
    assert (
        after(changed, "user_change", user="j.kral", password=True).users["j.kral"].password_at
        == NOW
    )


def test_who_is_removed_is_gone_and_may_come_again() -> None:
    gone = after(one(), "user_remove", user="j.kral")
    assert gone.users == {}
    assert after(gone, "user_add", user="j.kral", roles=["viewer"]).users.keys() == {"j.kral"}


REFUSED: dict[str, tuple[str, dict[str, Any], str]] = {
    "twice": ("user_add", {"user": "j.kral", "roles": ["viewer"]}, "there is such a user"),
    "no role": ("user_add", {"user": "u", "roles": []}, "at least one role"),
    "a role that is none": ("user_add", {"user": "u", "roles": ["root"]}, "user_add: roles"),
    "capitals": ("user_add", {"user": "J.Kral", "roles": ["viewer"]}, "small letters"),
    "a line in the name": ("user_add", {"user": "u\nx", "roles": ["viewer"]}, r"u\x0ax: no name"),
    "a long name": ("user_add", {"user": "u" * 41, "roles": ["viewer"]}, "at most 40"),
    "nobody to change": ("user_change", {"user": "u", "password": True}, "no such user"),
    "nothing to change": ("user_change", {"user": "j.kral"}, "nothing would change"),
    "the same roles": ("user_change", {"user": "j.kral", "roles": ["viewer"]}, "nothing would"),
    "nobody to remove": ("user_remove", {"user": "u"}, "no such user"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused_says_why(case: str) -> None:
    op, args, says = REFUSED[case]
    with pytest.raises(Refusal) as reason:
        after(one(), op, **args)
    assert says in str(reason.value)


def test_there_are_only_so_many() -> None:
    state = State()
    for at in range(limits.USERS_MAX):
        state = after(state, "user_add", user=f"u{at}", roles=["viewer"])
    with pytest.raises(Refusal, match="200 users are the most"):
        after(state, "user_add", user="one-more", roles=["viewer"])
