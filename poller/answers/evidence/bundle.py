"""All files of a report by their path; the same report gives the same bytes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Final

from poller.answers.evidence.html import as_html
from poller.answers.evidence.manifest import NAME, SIGNATURE, manifest
from poller.answers.evidence.report import Report
from poller.answers.evidence.tables import TABLES, as_csv

PAGE: Final = "report.html"
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


def _configurations(report: Report) -> Iterator[tuple[str, bytes]]:
    """Each under the number of its event; the names are the journal's, and could lead anywhere."""
    for one in report.configurations:
        for at, (name, text) in enumerate(one.files, 1):
            plain = STRANGE.sub("_", name.replace("/", "-"))[-80:]
            path = f"configuration/{one.seq}/{at:02}-{plain}"
            yield path, text.encode(errors="backslashreplace")
