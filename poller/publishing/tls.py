"""TLS for outputs: the peer is verified, and may verify us."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from poller.certificates import NONE_ASKED
from poller.model.problems import Faulty, Problem
from poller.site.settings import Tls


def tls_context(tls: Tls, folder: Path) -> ssl.SSLContext:
    """Made anew for each connection, so that renewed certificates are taken. Raises OSError.

    folder: where relative names of files begin.
    """
    context = _trusting(folder / tls.ca)
    if tls.certificate is not None:
        _show(context, folder / tls.certificate, folder / tls.key if tls.key else None)
    elif tls.key is not None:
        raise OSError("a key without its certificate")
    return context


def tls_server_context(tls: Tls, folder: Path) -> ssl.SSLContext:
    """For an output that is called: every client shows a certificate of the CA. Raises OSError."""
    if tls.certificate is None:
        raise OSError("a server needs a certificate")
    context = _trusting(folder / tls.ca, ssl.Purpose.CLIENT_AUTH)
    context.verify_mode = ssl.CERT_REQUIRED
    _show(context, folder / tls.certificate, folder / tls.key if tls.key else None)
    return context


def _trusting(ca: Path, purpose: ssl.Purpose = ssl.Purpose.SERVER_AUTH) -> ssl.SSLContext:
    """That one alone: made without it, a context would trust all whom the system does."""
    with _told_of(ca):
        return ssl.create_default_context(purpose, cafile=str(ca))


def _show(context: ssl.SSLContext, certificate: Path, key: Path | None) -> None:
    with _told_of(certificate, *([key] if key else [])):
        context.load_cert_chain(str(certificate), key, password=NONE_ASKED)


@contextmanager
def _told_of(*files: Path) -> Iterator[None]:
    """What OpenSSL says names no file. Raises OSError that does."""
    for file in files:
        with file.open("rb"):
            pass
    try:
        yield
    except ssl.SSLError as reason:
        raise OSError(f"{' and '.join(str(file) for file in files)}: {reason}") from reason


# of the alerts, those by which who reads one is told of its own certificate: RFC 8446, 6.2
OF_OURS: Final = (
    "BAD_CERTIFICATE",
    "UNSUPPORTED_CERTIFICATE",
    "CERTIFICATE_REVOKED",
    "CERTIFICATE_EXPIRED",
    "CERTIFICATE_UNKNOWN",
    "UNKNOWN_CA",
    "CERTIFICATE_REQUIRED",
)


def of_ours(fault: OSError) -> str:
    """Words to add, where a peer's alert is of what we showed it; else none."""
    alert = fault.reason or "" if isinstance(fault, ssl.SSLError) else ""
    if "ALERT" in alert and any(one in alert for one in OF_OURS):
        return "; it does not take our certificate: see bayroll selftest"
    return ""


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
                    mend="name PEM files that this user may read, certificate and key of one "
                    "pair, the key without a password",
                )
            ]
        ) from reason
