"""The outages file, which lies beside the site file unless another is named."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from poller.model.problems import Faulty, Problem
from poller.planning.outages.check import load_outages
from poller.planning.outages.shape import OutageFile
from poller.site.load import UNREADABLE, mend_unreadable, why_unreadable
from poller.site.settings import Site

NAME: Final = "outages.yaml"
MEND: Final = "copy config/outages.yaml and write your windows, or name another with --outages"


def read_outages(site_file: Path, site: Site, named: Path | None = None) -> OutageFile:
    """Raises Faulty: every fault of it, also that it can't be read."""
    file = named or site_file.parent / NAME
    try:
        text = file.read_text(encoding="utf-8")
    except UNREADABLE as reason:
        what = f"it can't be read: {why_unreadable(reason)}"
        code, mend = "outages-file-unreadable", mend_unreadable(reason, MEND)
        problem = Problem(code=code, file=str(file), what=what, mend=mend)
        raise Faulty([problem]) from reason
    return load_outages(text, str(file), site)
