"""Certificates that are renewed while we run: a server's are taken anew, and nobody is cut off."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

import structlog

log = structlog.get_logger(__name__)
NONE_ASKED: Final = ""  # else whoever sits at the terminal is asked for the key's password


class Renewable:
    """What a server shows and whom it trusts, taken anew from its files once these are others.

    context: to serve with. Connections that stand go on with what they were made with. fault: why
    the files that lie there now can't be used, which a restart would not survive; None: they can.
    """

    def __init__(
        self, make: Callable[[], ssl.SSLContext], files: Sequence[Path], *, of: str
    ) -> None:
        """make: reads the files. of: whose they are, for the log. Raises OSError."""
        self._make, self._files, self._of = make, files, of
        self._known = self._looks()
        self.fault: str | None = None
        self.context = self._newest = make()
        self.context.sni_callback = self._choose

    def look(self) -> None:
        """Files that can't be used are told once, and what was taken before goes on."""
        looks = self._looks()
        if looks == self._known:
            return
        self._known = looks
        try:
            self._newest = self._make()
        except OSError as reason:
            self.fault = str(reason)
            log.warning("certificate not taken anew", output=self._of, reason=self.fault)
        else:
            self.fault = None
            log.info("certificate taken anew", output=self._of, file=str(self._files[0]))

    @property
    def says(self) -> str:
        """Words to add to what is told of the server; none where all is well."""
        return f"; a renewed certificate can't be used: {self.fault}" if self.fault else ""

    def _choose(self, connection: ssl.SSLObject, name: str | None, context: ssl.SSLContext) -> None:
        """At the begin of each handshake, also of one that names nobody. Read into the context that
        serves, a new certificate would stand beside the old one, where their kinds of key differ.
        """
        connection.context = self._newest

    def _looks(self) -> tuple[tuple[int, int, int] | None, ...]:
        return tuple(_looks(path) for path in self._files)


def _looks(path: Path) -> tuple[int, int, int] | None:
    """What another file in its place, or a change of it, changes; None: it is not there."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns, found.st_size
