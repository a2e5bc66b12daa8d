"""bayroll journal removed: what retention dropped, and a signed list of it.

The signature is checked by OpenSSL's command line, the list of files by coreutils' sha256sum.
"""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from poller.cli.app import app
from poller.journal.notes import Notes
from poller.journal.retention import prune
from poller.journal.store import Batch, Writer
from poller.model import limits
from tests.cli.test_evidence import make_keys, run
from tests.journal.made import T0, story

DAYS = 200


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """One event a day; the first hundred were dropped."""
    path = tmp_path / "a.journal"
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(story(DAYS)))])
        writer.write([], Notes(snapshot=writer.reader.load_state()))
        assert prune(writer, keep_days=90, now=T0 + timedelta(days=190), required=[]) is not None
    return path


def removed(journal: Path, *more: str) -> Result:
    return CliRunner().invoke(app, ["journal", "removed", "--file", str(journal), *more])


def test_it_tells_how_many_of_what_are_gone(journal: Path) -> None:
    told = json.loads(removed(journal, "--json").stdout)
    [one] = told["removed"]
    assert (one["first_seq"], one["last_seq"]) == (1, 100)
    assert one["counts"] == {"relay_listed": 1, "relay_seen": 99}
    assert told["head"]["seq"] == DAYS + 1


def test_a_person_reads_it_as_a_table(journal: Path) -> None:
    lines = removed(journal).stdout.splitlines()
    assert "1 to 100" in lines[1]
    assert " 100 " in lines[1]


def test_a_journal_that_is_whole_says_so(tmp_path: Path) -> None:
    with Writer.open(tmp_path / "b.journal") as writer:
        writer.write([Batch(events=tuple(story(2)))])
    assert removed(tmp_path / "b.journal").stdout.endswith("nothing was ever dropped\n")


def test_the_signature_is_one_of_the_key(journal: Path, tmp_path: Path) -> None:
    make_keys(tmp_path)
    done = removed(journal, "--out", str(tmp_path / "o"), "--sign", str(tmp_path / "key.pem"))
    assert done.exit_code == 0, done.output
    assert run("sha256sum", "--check", "manifest.sha256", cwd=tmp_path / "o") == 0
    words = ("pkeyutl", "-verify", "-pubin", "-inkey", "../public.pem", "-rawin")
    files = ("-in", "manifest.sha256", "-sigfile", "manifest.sha256.sig")
    assert run("openssl", *words, *files, cwd=tmp_path / "o") == 0


def test_of_many_prunings_none_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "PRUNE_EVENTS_MAX", 1)
    path = tmp_path / "many.journal"
    with Writer.open(path) as writer:
        writer.write([Batch(events=tuple(story(600)))])
        writer.write([], Notes(snapshot=writer.reader.load_state()))
        for _ in range(520):
            prune(writer, keep_days=1, now=T0 + timedelta(days=599), required=[])
    assert len(json.loads(removed(path, "--json").stdout)["removed"]) == 520


def test_what_is_signed_is_written_somewhere(journal: Path, tmp_path: Path) -> None:
    done = removed(journal, "--sign", str(tmp_path / "key.pem"))
    assert done.exit_code == 2
    assert "give --out DIR as well" in done.output
