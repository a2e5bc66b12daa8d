"""bayroll user: who signs in to the page, and in which roles."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from poller.answers.words import count
from poller.cli import common
from poller.cli.ask import ask
from poller.cli.common import Exit, JsonOption, SiteOption, WhoOption
from poller.decide import Refusal
from poller.edges.commands import person
from poller.model.canonical import stamp
from poller.model.users import Role
from poller.model.users import says as role_says
from poller.web.passwords import Passwords, beside, sound

user = typer.Typer(
    no_args_is_help=True,
    help="Who signs in to the page. Roles are those of IEC 62351-8.\n\n"
    "viewer looks; operator acknowledges and shelves alarms; engineer accepts baselines, plans and "
    "does work, says what changes were; security_administrator sees to users; auditor takes "
    "evidence.",
)
NOBODY = "nobody: the page only tells, and on this machine alone; see: bayroll user add"
Named = Annotated[str, typer.Argument(metavar="NAME", help="For example j.kral.")]
RoleOption = Annotated[
    list[Role] | None, typer.Option("--role", help="A role; may be repeated.", show_default=False)
]
PasswordFile = Annotated[
    Path | None,
    typer.Option(
        "--password-file", metavar="FILE", help="Its first line, - for stdin; without it: asked."
    ),
]


@user.command()
def add(
    name: Named,
    role: RoleOption = None,
    password_file: PasswordFile = None,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Let NAME sign in. Every person has a name of their own; the journal says who did what."""
    with common.told():
        place = common.where(site)
        hashes = Passwords(beside(place.journal))
        hashes.known()  # what can't be used is told before anything is asked
        person(who, os.getuid())
        password = _password(password_file)
        answer = ask(place, "user_add", {"who": who, "user": name, "roles": list(role or ())})
        hashes.set(name, password)
    _done(as_json, answer, f"{name}: may sign in as {_roles(role or ())}")


@user.command()
def change(
    name: Named,
    role: RoleOption = None,
    password: Annotated[bool, typer.Option("--password", help="Ask for a new password.")] = False,
    password_file: PasswordFile = None,
    who: WhoOption = "",
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Give NAME other roles, all that are to be from now on, or a new password."""
    with common.told():
        place = common.where(site)
        hashes = Passwords(beside(place.journal))
        hashes.known()
        person(who, os.getuid())
        anew = _password(password_file) if password or password_file else None
        args = {"who": who, "user": name, "password": anew is not None}
        answer = ask(place, "user_change", args | ({"roles": list(role)} if role else {}))
        if anew is not None:
            hashes.set(name, anew)
    told = [f"is {_roles(role)} from now on"] if role else []
    told += ["has a new password, and signs in again"] if anew is not None else []
    _done(as_json, answer, f"{name}: {'; '.join(told)}")


@user.command()
def remove(
    name: Named, who: WhoOption = "", site: SiteOption = None, as_json: JsonOption = False
) -> None:
    """Let NAME sign in no more; where they are signed in, that ends at once."""
    with common.told():
        place = common.where(site)
        answer = ask(place, "user_remove", {"who": who, "user": name})
        Passwords(beside(place.journal)).forget(name)
        with common.journal(place) as journal:
            left = journal.state().users
    _done(as_json, answer, f"{name}: removed")
    if not left and not as_json:
        common.out.print(NOBODY)


@user.command("list")
def list_(site: SiteOption = None, as_json: JsonOption = False) -> None:
    """Everybody who may sign in."""
    with common.told():
        place = common.where(site)
        with common.journal(place) as journal:
            state = journal.state()
        known = Passwords(beside(place.journal)).known()
    drawn = common.table(("name", "roles", "password"))
    for name, one in sorted(state.users.items()):
        has = name in known
        if as_json:
            told = {"user": name, "roles": list(one.roles), "password": has}
            common.print_json(told | {"password_at": stamp(one.password_at)})
        else:
            drawn.add_row(name, _roles(one.roles), "set" if has else "none: can't sign in")
    if not as_json:
        common.out.print(drawn)
        common.out.print(count(len(state.users), "user", "users") if state.users else NOBODY)


def _password(file: Path | None) -> str:
    """Raises Refusal. Never an argument: those can be read by everybody on the machine."""
    if file is None:
        if not sys.stdin.isatty():
            raise Refusal("no terminal to ask for a password at; give --password-file FILE")
        asked: str = typer.prompt("password", hide_input=True, confirmation_prompt=True)
        return sound(asked)
    try:
        text = sys.stdin.readline() if file == Path("-") else file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as reason:
        common.fail(Exit.BAD_INPUT, f"{file}: can't be read: {reason}")
    return sound(text.split("\n", 1)[0].rstrip("\r"))


def _roles(roles: Any) -> str:
    return ", ".join(role_says(Role(one)) for one in roles)


def _done(as_json: bool, answer: dict[str, Any], says: str) -> None:
    if as_json:
        common.print_json(answer)
    else:
        common.out.print(says)
