"""config/bayroll.service: every line with its reason, and what systemd itself says of it."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.e2e import processes as run

UNIT = run.CONFIG / "bayroll.service"
ANALYZE = shutil.which("systemd-analyze")
EXPOSED_MAX = 2.0  # of 10, by systemd-analyze security: the network, and to ask for the clock

MUST = """
Type=notify                     # READY=1 and WATCHDOG=1 count for nothing without it
Restart=on-failure              # and a watchdog that ran out is a failure
NoNewPrivileges=yes
CapabilityBoundingSet=
ProtectSystem=strict
StateDirectory=bayroll
StateDirectoryMode=0700         # hashes of passwords lie there
RuntimeDirectoryMode=0700       # whoever reaches the socket may command
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
MemoryDenyWriteExecute=yes
SystemCallFilter=@system-service
"""


def lines() -> list[str]:
    return UNIT.read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("line", MUST.strip().splitlines())
def test_what_keeps_the_service_apart_stands_there(line: str) -> None:
    assert line.partition("  #")[0].strip() in lines()


def test_each_group_of_settings_begins_with_its_reason() -> None:
    """Several settings with one reason stand under one comment."""
    bare = []
    for before, line in zip(lines(), lines()[1:], strict=False):
        starts = not before or before.startswith("[")
        if (
            starts
            and re.match("[A-Z]", line)
            and not line.startswith(("Description=", "WantedBy="))
        ):
            bare.append(line)
    assert bare == []


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """With a program that is there on this machine."""
    if ANALYZE is None:
        pytest.skip("systemd-analyze is not installed on this machine")
    unit = tmp_path / UNIT.name
    text = UNIT.read_text(encoding="utf-8")
    assert text.count("=/opt/bayroll/bin/bayroll ") == 2
    unit.write_text(text.replace("=/opt/bayroll/bin/bayroll ", f"={sys.executable} "))
    return unit


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    assert ANALYZE is not None
    return subprocess.run([ANALYZE, *words], capture_output=True, text=True, timeout=60)


def test_systemd_reads_every_line_of_it(copy: Path) -> None:
    result = analyze("verify", "--man=no", "--recursive-errors=no", str(copy))
    assert result.stderr == ""
    assert result.returncode == 0


def test_systemd_finds_a_line_that_is_none(copy: Path) -> None:
    """So that the test before can fail."""
    copy.write_text(copy.read_text().replace("NoNewPrivileges=", "NoNewPriviledges="))
    assert "NoNewPriviledges" in analyze("verify", "--man=no", str(copy)).stderr


def test_systemd_calls_little_of_it_exposed(copy: Path) -> None:
    bound = str(int(EXPOSED_MAX * 10))
    result = analyze("security", "--offline=yes", "--no-pager", f"--threshold={bound}", str(copy))
    assert result.returncode == 0, result.stdout.splitlines()[-1]
