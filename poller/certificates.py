"""Certificates that are renewed while we run: a server's is taken anew, and nobody is cut off."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Final

import structlog

log = structlog.get_logger(__name__)
NONE_ASKED: Final = ""  # else whoever sits at the terminal is asked for the key's password


class Renewable:
    """A server's certificate and key, taken anew from their files once these are others.

    Connections that stand go on with what they were made with. of: whose it is, for the log.
    """

    def __init__(
        self, context: ssl.SSLContext, certificate: Path, key: Path | None, *, of: str
    ) -> None:
        """context: has just taken them."""
        self._context, self._certificate, self._key, self._of = context, certificate, key, of
        self._known = self._files()

    def look(self) -> None:
        """Those that can't be used are told once, and what was taken before goes on."""
        files = self._files()
        if files == self._known:
            return
        self._known = files
        try:
            # tried elsewhere first: half of a pair would take the good one away
            for context in (ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), self._context):
                context.load_cert_chain(self._certificate, self._key, password=NONE_ASKED)
        except OSError as reason:
            log.warning("certificate not taken anew", output=self._of, reason=str(reason))
        else:
            log.info("certificate taken anew", output=self._of, file=str(self._certificate))

    def _files(self) -> tuple[tuple[int, int, int] | None, ...]:
        return tuple(_looks(path) for path in (self._certificate, self._key) if path is not None)


def _looks(path: Path) -> tuple[int, int, int] | None:
    """What another file in its place, or a change of it, changes; None: it is not there."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns, found.st_size
