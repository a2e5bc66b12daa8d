"""bayroll user: people are events, and hashes stay in a file that only its owner reads."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from poller.journal import Journal
from poller.web.passwords import Passwords, beside
from tests.cli.bench import Bench

PASSWORD = "cold-tea-at-the-bay"  # noqa: S105 - made up


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("BAYROLL_WHO", "J. Kral")
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    bench = Bench(tmp_path)
    (tmp_path / "password").write_text(PASSWORD + "\n")
    return bench


def add(bench: Bench, *words: str) -> str:
    password = ["--password-file", str(bench.folder / "password")]
    result = bench.run("user", "add", *words, *password)
    return result.output


def passwords(bench: Bench) -> Passwords:
    return Passwords(beside(bench.journal))


def test_who_is_added_is_listed_and_can_sign_in(bench: Bench) -> None:
    said = add(bench, "ute", "--role", "operator", "--role", "auditor")
    assert said == "ute: may sign in as operator, auditor\n"
    [told] = bench.json("user", "list")
    assert (told["user"], told["roles"], told["password"]) == ("ute", ["operator", "auditor"], True)
    assert passwords(bench).match("ute", PASSWORD)


def test_no_event_and_no_journal_file_holds_a_password_or_its_hash(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    hashed = json.loads(beside(bench.journal).read_text())["hashes"]["ute"]
    assert hashed.startswith("$argon2id$")
    for path in bench.folder.glob("bayroll.journal*"):
        if path != beside(bench.journal):
            assert b"argon2" not in path.read_bytes(), path
            assert PASSWORD.encode() not in path.read_bytes(), path


def test_the_journal_says_who_added_whom(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    with Journal.open(bench.journal) as journal:
        [event] = journal.history(kinds=["user_changed"])
    assert event.event.by == f"J. Kral (uid {os.getuid()})"


def test_the_file_is_its_owners_alone(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    assert beside(bench.journal).stat().st_mode & 0o777 == 0o600


def test_who_is_removed_has_no_hash_left(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    bench.run("user", "remove", "ute")
    assert passwords(bench).known() == frozenset()
    assert bench.json("user", "list") == []


def test_removing_the_last_user_says_who_sees_the_page_from_now_on(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    add(bench, "ada", "--role", "viewer")
    assert bench.run("user", "remove", "ute").output == "ute: removed\n"
    first, then = bench.run("user", "remove", "ada").output.splitlines()
    assert first == "ada: removed"
    assert then.startswith("nobody: the page only tells, and on this machine alone")


def test_a_name_that_is_taken_keeps_its_password(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    (bench.folder / "password").write_text("another-password-for-ute")
    assert "there is such a user" in add(bench, "ute", "--role", "engineer")
    assert passwords(bench).match("ute", PASSWORD)


def test_a_new_password_takes_the_place_of_the_old_one(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    (bench.folder / "new").write_text("nobody-waters-the-fern")
    said = bench.run("user", "change", "ute", "--password-file", str(bench.folder / "new")).output
    assert said == "ute: has a new password, and signs in again\n"
    assert not passwords(bench).match("ute", PASSWORD)
    assert passwords(bench).match("ute", "nobody-waters-the-fern")


def test_other_roles_take_the_place_of_the_old_ones(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    said = bench.run("user", "change", "ute", "--role", "engineer").output
    assert said == "ute: is engineer from now on\n"
    assert bench.json("user", "list")[0]["roles"] == ["engineer"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("u",), "name at least one role"),
        (("J Kral", "--role", "viewer"), "small letters"),
        (("u", "--role", "root"), "'root' is not one of"),
    ],
)
def test_what_is_refused_says_why(bench: Bench, words: tuple[str, ...], says: str) -> None:
    assert says in add(bench, *words)
    assert passwords(bench).known() == frozenset()


def test_a_short_password_is_refused(bench: Bench) -> None:
    (bench.folder / "password").write_text("short")
    assert "a password has 12 to 128 characters, not 5" in add(bench, "ute", "--role", "viewer")
    assert bench.json("user", "list") == []


def test_without_a_terminal_a_file_is_asked_for(bench: Bench) -> None:
    result = bench.run("user", "add", "ute", "--role", "viewer")
    assert "give --password-file FILE" in result.output


def test_a_file_that_others_may_read_is_told(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    beside(bench.journal).chmod(0o640)
    result = bench.run("user", "list")
    assert "others may read it [users-file]" in result.output
    assert "chmod 600" in result.output


@pytest.mark.parametrize(
    "text", ["", "{", '{"format": 2, "hashes": {}}', '{"format": 1, "hashes": []}', "[" * 10_000]
)
def test_a_file_that_is_damaged_is_told(bench: Bench, text: str) -> None:
    beside(bench.journal).write_text(text)
    beside(bench.journal).chmod(0o600)
    assert "it is not as it was written [users-file]" in bench.run("user", "list").output


def test_somebody_whose_hash_is_gone_is_told_of(bench: Bench) -> None:
    add(bench, "ute", "--role", "viewer")
    passwords(bench).forget("ute")
    assert "none: can't sign in" in bench.run("user", "list").output


def test_a_hash_without_its_user_in_the_journal_is_nobody(bench: Bench) -> None:
    """Whoever writes into the file gains nothing: roles are read from the journal."""
    passwords(bench).set("intruder", "let-me-in-anyway")
    assert bench.json("user", "list") == []


def test_a_page_on_a_network_that_nobody_may_see_is_a_fault(bench: Bench) -> None:
    page = "page: {host: 0.0.0.0, tls: {certificate: page.pem, key: page.key}}\n"
    bench.site_file.write_text(bench.site_file.read_text() + page)
    told = bench.run("check", str(bench.site_file), site=False)
    assert "[site-page-users]" in told.output
    assert told.exit_code == 2
    add(bench, "ute", "--role", "viewer")
    assert bench.run("check", str(bench.site_file), site=False).exit_code == 0


@pytest.mark.parametrize("begun", [True, False])
def test_what_root_makes_is_of_the_service_that_has_to_read_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, begun: bool
) -> None:
    """Played, as a test may run as another. Without a journal its folder says whose it is to be."""
    given: list[tuple[int, int]] = []
    if not begun:
        for path in bench.folder.glob("bayroll.journal*"):
            path.unlink()
    monkeypatch.setattr("poller.journal.file.os.geteuid", lambda: 0)
    monkeypatch.setattr("poller.journal.file.os.fchown", lambda _, *owner: given.append(owner))
    add(bench, "ute", "--role", "viewer")
    owner = bench.folder.stat()
    # of the file of passwords; and of the lock and the journal, where they are made as well
    assert given == [(owner.st_uid, owner.st_gid)] * (1 if begun else 3)


@pytest.mark.parametrize(
    "verb", [["add", "ute", "--role", "viewer"], ["change", "ute", "--password"]]
)
def test_who_is_needed_before_a_password_is_asked_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, verb: list[str]
) -> None:
    monkeypatch.delenv("BAYROLL_WHO")
    result = bench.run("user", *verb)  # there is no terminal to ask at, which would be told first
    assert (result.exit_code, "--who is needed" in result.stderr) == (2, True)
