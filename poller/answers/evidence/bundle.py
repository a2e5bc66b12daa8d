"""All files of a report by their path; the same report gives the same bytes."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from poller.answers.evidence.html import as_html
from poller.answers.evidence.manifest import NAME, SIGNATURE, manifest
from poller.answers.evidence.report import Report
from poller.answers.evidence.tables import TABLES, as_csv

PAGE: Final = "report.html"
FIRST_DAY: Final = (1980, 1, 1, 0, 0, 0)  # that an archive can tell; its files have no time
STRANGE: Final = re.compile(r"[^A-Za-z0-9_.-]+|^\.+")


def bundle(report: Report, sign: Callable[[bytes], bytes] | None = None) -> dict[str, bytes]:
    """sign: makes a detached signature over the manifest; None: there is none."""
    files = {PAGE: as_html(report).encode(errors="backslashreplace")}
    files |= {name: as_csv(rows(report)) for name, rows in TABLES.items()}
    files |= dict(_configurations(report))
    told = manifest(files)
    files[NAME] = told
    if sign is not None:
        files[SIGNATURE] = sign(told)
    return files


def zipped(files: Mapping[str, bytes]) -> bytes:
    """As one archive; the same files give the same bytes."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(files):
            archive.writestr(zipfile.ZipInfo(name, FIRST_DAY), files[name], zipfile.ZIP_DEFLATED)
    return held.getvalue()


def _configurations(report: Report) -> Iterator[tuple[str, bytes]]:
    """Each under the number of its event; the names are the journal's, and could lead anywhere."""
    for one in report.configurations:
        for at, (name, text) in enumerate(one.files, 1):
            plain = STRANGE.sub("_", name.replace("/", "-"))[-80:]
            path = f"configuration/{one.seq}/{at:02}-{plain}"
            yield path, text.encode(errors="backslashreplace")
