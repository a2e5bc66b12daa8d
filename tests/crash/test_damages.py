"""A damaged journal is refused with a clear message, or all of it is there; never less in silence.

What verifies can be recovered into a new file, and the damaged one is left as it is.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.crash import damages
from tests.crash.damages import Built
from tests.crash.stand import bayroll
from tests.e2e import processes as run


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    return damages.build(tmp_path_factory.mktemp("built"))


@pytest.mark.parametrize(("what", "seed"), damages.cases())
def test_a_damage_is_told_or_undone(built: Built, tmp_path: Path, what: str, seed: int) -> None:
    assert damages.suffer(built, tmp_path, what, seed) == []


# Through the command, as a person meets it.


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The shipped site, in a folder of its own and without a journal."""
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    shutil.copytree(run.CONFIG / "maps", tmp_path / "maps")
    for name in ("approved.yaml", "advisories.yaml"):
        shutil.copy(run.CONFIG / name, tmp_path)
    return Path(shutil.copy(run.CONFIG / "site.yaml", tmp_path))


@pytest.mark.parametrize("what", ["many bits", "the log gone", "nothing left", "the file gone"])
def test_run_refuses_with_a_sentence(built: Built, site: Path, what: str) -> None:
    journal = site.with_name("bayroll.journal")
    damages.harmed(built, journal, what, seed=1)
    before = journal.read_bytes() if journal.exists() else None
    said = bayroll("run", str(site))
    assert said.returncode == 3
    assert "Traceback" not in said.stderr
    assert f"{journal}: " in said.stderr
    assert "mend: " in said.stderr
    assert before == (journal.read_bytes() if journal.exists() else None)


def test_what_is_recovered_is_named_with_the_next_step_and_verifies(
    built: Built, site: Path
) -> None:
    journal, new = site.with_name("bayroll.journal"), site.with_name("new.journal")
    damages.harmed(built, journal, "the log gone", seed=1)
    verified = bayroll("journal", "verify", "--site", str(site))
    assert verified.returncode == 1
    assert f"bayroll journal recover {journal}" in verified.stdout
    saved = bayroll("journal", "recover", str(journal), str(new))
    assert saved.returncode == 1, "it says that not all could be kept"
    assert f"journal: {{file: {new}}}" in saved.stdout
    assert bayroll("journal", "verify", "--file", str(new)).returncode == 0
