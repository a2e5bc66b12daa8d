"""Every problem code is shown by a broken file, or by the test that is named here."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from poller.journal.file import JournalUnusable
from poller.journal.store import Batch, Reader, Writer
from poller.model import events as ev
from poller.model.problem_codes import CODES
from tests.journal.made import story

TESTS = Path(__file__).parents[1]
ELSEWHERE = """
advisory-too-big planning/test_csaf.py test_a_document_is_bounded
file-exists cli/test_site.py test_a_file_that_exists_is_not_written_over
file-unwritable cli/test_site.py test_a_folder_that_is_not_there_is_told
journal-cut journal/test_store.py test_an_end_that_was_written_and_is_missing_is_told
journal-damaged journal/test_store.py UNUSABLE
journal-exists journal/test_export.py test_a_file_that_exists_is_not_written_over
journal-foreign journal/test_store.py UNUSABLE
journal-gone journal/test_store.py test_a_journal_that_held_events_is_not_begun_anew
journal-half-gone journal/test_store.py test_a_log_without_its_file_is_not_written_over
journal-locked e2e/test_running.py test_a_second_service_on_the_same_journal_is_refused
journal-missing journal/test_store.py test_only_the_writer_makes_a_journal
journal-newer journal/test_store.py UNUSABLE
journal-not-upgraded journal/test_upgrade.py test_a_step_that_fails_leaves_it_as_it_was
journal-older journal/test_upgrade.py test_who_only_reads_is_told_and_changes_nothing
journal-unknown-kind site/test_codes.py test_a_kind_that_only_a_newer_journal_has_is_told
journal-unreachable journal/test_store.py test_a_folder_that_is_not_there_is_told
output-broker-missing publishing/wrong_settings.py WRONG
output-not-loadable publishing/test_opening.py test_an_output_that_does_not_load_leaves_the_others
output-port-twice publishing/test_opening.py test_two_that_listen_on_one_port_are_told
output-settings publishing/wrong_settings.py WRONG
output-tls publishing/wrong_settings.py WRONG
output-unknown publishing/test_opening.py test_an_output_nobody_installed_is_told_with_its_place
outages-file-unreadable cli/test_plan.py test_a_file_that_is_not_there_is_told
site-journal-moved cli/test_desk.py test_a_running_service_can_not_move_its_journal
site-renamed e2e/test_running.py FAULTY
site-page-users cli/test_user.py test_a_page_on_a_network_that_nobody_may_see_is_a_fault
users-file cli/test_user.py test_a_file_that_others_may_read_is_told
"""
ROWS = [line.split() for line in ELSEWHERE.strip().splitlines()]


@pytest.mark.parametrize(("code", "file", "name"), ROWS, ids=[row[0] for row in ROWS])
def test_the_test_named_for_a_code_is_there_and_speaks_of_it(
    code: str, file: str, name: str
) -> None:
    text = (TESTS / file).read_text(encoding="utf-8")
    found = [node for node in ast.parse(text).body if _name(node) == name]
    assert [code in (ast.get_source_segment(text, node) or "") for node in found] == [True]


def _name(node: ast.stmt) -> str | None:
    """Of a test, or of the table that its cases stand in."""
    match node:
        case ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name):
            return name
        case ast.AnnAssign(target=ast.Name(id=name)) | ast.Assign(targets=[ast.Name(id=name)]):
            return name
        case _:
            return None


def test_every_code_is_shown_somewhere() -> None:
    said = "".join(path.read_text(encoding="utf-8") for path in TESTS.glob("*/broken/**/*.txt"))
    shown = {code for code in CODES if f"[{code}]" in said} | {row[0] for row in ROWS}
    assert sorted(CODES.keys() - shown) == []


def test_no_code_is_listed_here_that_there_is_not() -> None:
    assert sorted({row[0] for row in ROWS} - CODES.keys()) == []


def test_a_kind_that_only_a_newer_journal_has_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.journal"
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(story(3)))])
    monkeypatch.delitem(ev.KINDS, ("relay_seen", 1))
    with pytest.raises(JournalUnusable) as reason:
        Reader.open(path).load_state()
    assert reason.value.problem.code == "journal-unknown-kind"
