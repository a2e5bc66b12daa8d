"""The folder of advisories, asked again and again: what it says follows every change, no more."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from poller.cli.shipped import config_folder
from poller.decide import About, SiteRead, decide
from poller.edges import advisory_folder
from poller.edges.advisory_folder import Advisories, known_of
from poller.model.standing import State
from poller.site.load import load_site
from poller.site.settings import Site
from poller.state import fold
from tests.cli.bench import AT, believed


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    for name in ("maps", "advisories"):
        shutil.copytree(config_folder() / name, tmp_path / name)
    for name in ("site.yaml", "approved.yaml", "advisories.yaml", "alarms.yaml"):
        shutil.copy(config_folder() / name, tmp_path / name)
    return tmp_path / "site.yaml"


def read(site_file: Path) -> Site:
    return load_site(str(site_file), lambda path: Path(path).read_text())


def world(site: Site, version: str) -> State:
    state = State()
    for given in (SiteRead(), About(relay="q01-main1", finding=believed(version))):
        state = fold(state, enumerate(decide(state, site, given, AT).events, start=state.seq + 1))
    return state


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    found: list[Path] = []
    real = advisory_folder.read_folder
    monkeypatch.setattr(
        advisory_folder, "read_folder", lambda path: found.append(path) or real(path)
    )
    return found


def test_it_says_what_one_look_says(site_file: Path) -> None:
    site = read(site_file)
    state = world(site, "5.1 SP2")
    found = Advisories(site_file)(site, state)
    assert found == known_of(site_file, site, state)
    assert [one.box.relay for one in found.held.findings] == ["q01-main1"]


def test_a_folder_that_stays_is_read_once(site_file: Path, reads: list[Path]) -> None:
    site, advisories = read(site_file), Advisories(site_file)
    for seq in range(3):
        advisories(site, replace(world(site, "5.1 SP2"), seq=seq))
    assert reads == [site_file.parent / "advisories"]


def test_a_box_that_runs_another_version_is_held_against_it_anew(site_file: Path) -> None:
    site, advisories = read(site_file), Advisories(site_file)
    before = advisories(site, world(site, "5.1 SP2")).held.findings
    after = advisories(site, world(site, "5.1 SP2 HF3")).held.findings
    assert [one.verdict for one in before] != [one.verdict for one in after]


def test_a_document_that_goes_or_is_written_anew_counts_at_once(site_file: Path) -> None:
    site, advisories = read(site_file), Advisories(site_file)
    state = world(site, "5.1 SP2")
    [document] = (site_file.parent / "advisories").iterdir()
    assert advisories(site, state).held.unusable == ()
    document.write_text("{")
    assert [one.code for one in advisories(site, state).held.unusable] == ["advisory-unreadable"]
    document.unlink()
    assert advisories(site, state).held == replace(advisories(site, state).held, findings=())


def test_where_no_families_are_named_no_folder_is_looked_for(
    site_file: Path, reads: list[Path]
) -> None:
    lines = site_file.read_text().splitlines()
    site_file.write_text("\n".join(one for one in lines if not one.startswith("advisories:")))
    site = read(site_file)
    found = Advisories(site_file)(site, world(site, "5.1 SP2"))
    assert (found.named, found.held.findings, reads) == (False, (), [])
