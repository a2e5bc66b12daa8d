"""A folder of files that is written whole or not at all, and read again by its manifest."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

from poller.answers.evidence.manifest import NAME, SIGNATURE, Compared, compared, listed
from poller.cli.new_file import fault
from poller.model import limits
from poller.model.problems import Faulty, Problem
from poller.model.refusal import Refusal
from poller.model.text import shown

BLOCK: Final = 1024 * 1024  # octets held at once
K = TypeVar("K")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """signature: None where there is none. digest: SHA-256 of the manifest."""

    compared: Compared
    manifest: bytes
    digest: bytes
    signature: bytes | None


def must_be_new(out: Path) -> None:
    """Raises Faulty where something is there, or the folder that it is to stand in is not."""
    if os.path.lexists(out):
        what, mend = "there is something already, and it is not written over", "name another"
        raise Faulty([Problem(code="file-exists", file=str(out), what=what, mend=mend)])
    if not out.absolute().parent.is_dir():
        what = "the folder that it is to stand in is not there"
        mend = f"make it: mkdir -p {out.absolute().parent}"
        raise Faulty([Problem(code="file-unwritable", file=str(out), what=what, mend=mend)])


def write(out: Path, files: Mapping[str, bytes]) -> None:
    """Under another name first, so that half a bundle is never found. Raises Faulty."""
    made = out.absolute().with_name(f".{out.absolute().name}.{os.getpid()}")
    try:
        made.mkdir()
        try:
            for name, data in files.items():
                (made / name).parent.mkdir(parents=True, exist_ok=True)
                _write(made / name, data)
            must_be_new(out)
            made.rename(out)
        except BaseException:  # Ctrl-C too
            shutil.rmtree(made, ignore_errors=True)
            raise
    except OSError as reason:
        mend = "name a folder on a disk with room, in one that you may write to"
        raise fault("file-unwritable", out, reason, mend) from reason


def _write(path: Path, data: bytes) -> None:
    with path.open("xb") as opened:
        opened.write(data)
        opened.flush()
        os.fsync(opened.fileno())


def keyed(file: Path, read: Callable[[bytes], K]) -> K:
    """A key of that file. Raises Refusal."""
    try:
        return read(_small(file, limits.KEY_BYTES_MAX))
    except Refusal as reason:
        raise Refusal(f"{file}: {reason}") from reason


def checked(folder: Path) -> Found:
    """Raises Refusal where it is no bundle, or can't be read."""
    if not (folder / NAME).is_file():
        raise Refusal(f"{folder}: it has no {NAME}, so it is no bundle of evidence")
    told = _small(folder / NAME, limits.EVIDENCE_FILES_MAX * 256)
    wanted = listed(told)
    there: dict[str, str] = {}
    for name in _names(folder):
        if len(there) > limits.EVIDENCE_FILES_MAX:
            raise Refusal(f"{folder}: more than {limits.EVIDENCE_FILES_MAX:,} files")
        there[name] = _digest(folder / name) if name in wanted else ""
    signature = None
    if (folder / SIGNATURE).is_file():
        signature = _small(folder / SIGNATURE, limits.KEY_BYTES_MAX)
    return Found(
        compared=compared(wanted, {shown(name): one for name, one in there.items()}),
        manifest=told,
        digest=hashlib.sha256(told).digest(),
        signature=signature,
    )


def _names(folder: Path) -> Iterator[str]:
    """Of all that lies in it but the manifest and its signature, links to elsewhere too."""
    for path, folders, files in os.walk(folder):
        linked = [name for name in folders if (Path(path) / name).is_symlink()]
        for name in (*files, *linked):
            told = (Path(path) / name).relative_to(folder).as_posix()
            if told not in (NAME, SIGNATURE):
                yield told


def _digest(file: Path) -> str:
    if file.is_symlink() or not file.is_file():
        return "no plain file"
    found = hashlib.sha256()
    try:
        with file.open("rb") as opened:
            while block := opened.read(BLOCK):
                found.update(block)
    except OSError as reason:
        raise Refusal(f"{file}: it can't be read: {reason.strerror}") from reason
    return found.hexdigest()


def _small(file: Path, most: int) -> bytes:
    try:
        with file.open("rb") as opened:
            data = opened.read(most + 1)
    except OSError as reason:
        raise Refusal(f"{file}: it can't be read: {reason.strerror}") from reason
    if len(data) > most:
        raise Refusal(f"{file}: it is longer than any such file")
    return data
