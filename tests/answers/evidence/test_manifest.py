"""The list of files: read by coreutils' sha256sum too; what was tampered with is named."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from poller.answers.evidence.manifest import compared, listed, manifest
from poller.model.refusal import Refusal

FILES = {"report.html": b"<p>", "configuration/2/01-site.yaml": b"site: hollin\n"}
DIGEST = "ab" * 32


def written(folder: Path) -> Path:
    for name, data in FILES.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    (folder / "m").write_bytes(manifest(FILES))
    return folder


def sha256sum(folder: Path) -> int:
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "m"], cwd=folder, capture_output=True, check=False
    )
    return done.returncode


def test_another_program_finds_it_whole(tmp_path: Path) -> None:
    assert sha256sum(written(tmp_path)) == 0


def test_another_program_finds_it_changed(tmp_path: Path) -> None:
    (written(tmp_path) / "report.html").write_bytes(b"<q>")
    assert sha256sum(tmp_path) == 1


def test_read_back() -> None:
    assert sorted(listed(manifest(FILES))) == sorted(FILES)


# files there as name:digest letter; wanted are a:1 b:2 | changed, missing, added
COMPARED = """
a:1 b:2     | - | - | -
a:1 b:3     | b | - | -
a:1         | - | b | -
a:1 b:2 c:1 | - | - | c
c:1         | - | a b | c
"""


@pytest.mark.parametrize("row", COMPARED.strip().splitlines())
def test_what_is_not_as_it_was(row: str) -> None:
    there, *wanted = (part.strip() for part in row.split("|"))
    found = compared({"a": "1", "b": "2"}, dict(one.split(":") for one in there.split()))
    told = [" ".join(one) or "-" for one in (found.changed, found.missing, found.added)]
    assert (told, found.whole) == (wanted, wanted == ["-", "-", "-"])


BAD = {
    "nothing": b"",
    "no digest": b"report.html\n",
    "out of it": f"{DIGEST}  ../x\n".encode(),
    "absolute": f"{DIGEST}  /etc/x\n".encode(),
    "inside out": f"{DIGEST}  a/../../x\n".encode(),
    "twice": f"{DIGEST}  a\n{DIGEST}  a\n".encode(),
    "a control character": f"{DIGEST}  a\x1b[2J\n".encode(),
}


@pytest.mark.parametrize("case", BAD)
def test_what_is_no_manifest(case: str) -> None:
    with pytest.raises(Refusal):
        listed(BAD[case])
