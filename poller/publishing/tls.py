"""TLS for outputs: the peer is verified, and may verify us."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from pathlib import Path

from poller.certificates import NONE_ASKED
from poller.model.problems import Faulty, Problem
from poller.site.settings import Tls


def tls_context(tls: Tls, folder: Path) -> ssl.SSLContext:
    """Made anew for each connection, so that renewed certificates are taken. Raises OSError.

    folder: where relative names of files begin.
    """
    context = ssl.create_default_context(cafile=str(folder / tls.ca))
    if tls.certificate is not None:
        key = str(folder / tls.key) if tls.key else None
        context.load_cert_chain(str(folder / tls.certificate), key)
    elif tls.key is not None:
        raise OSError("a key without its certificate")
    return context


def tls_server_context(tls: Tls, folder: Path) -> ssl.SSLContext:
    """For an output that is called: every client shows a certificate of the CA. Raises OSError."""
    if tls.certificate is None:
        raise OSError("a server needs a certificate")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=str(folder / tls.ca))
    context.verify_mode = ssl.CERT_REQUIRED
    key = str(folder / tls.key) if tls.key else None
    context.load_cert_chain(str(folder / tls.certificate), key, password=NONE_ASKED)
    return context


def usable(made: Callable[[], ssl.SSLContext | None], at: str) -> None:
    """Makes it once, so that files which can't be used are told at the start. Raises Faulty.

    at: where the site file names them.
    """
    try:
        made()
    except OSError as reason:
        raise Faulty(
            [
                Problem(
                    code="output-tls",
                    file="",
                    at=at,
                    what=f"a certificate, key or CA file can't be used: {reason}",
                    mend="name PEM files that this user may read, certificate and key of one pair",
                )
            ]
        ) from reason
