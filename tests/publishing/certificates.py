"""Certificates for peers on loopback, made by OpenSSL."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Final

from tests.publishing.brokers import HOST

OPENSSL: Final = shutil.which("openssl")
KEYS: Final = {
    "ec": ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
    "rsa": ("-newkey", "rsa:2048", "-nodes"),
}
SERVER: Final = f"subjectAltName=IP:{HOST}\n"
CLIENT: Final = "extendedKeyUsage=clientAuth\n"


def openssl(folder: Path, *words: str) -> None:
    assert OPENSSL is not None
    subprocess.run([OPENSSL, *words], cwd=folder, check=True, capture_output=True)


def make_ca(folder: Path, name: str) -> None:
    openssl(
        folder, "req", "-x509", *KEYS["ec"], "-days", "2",
        "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", f"/CN={name}",
        "-addext", "keyUsage=critical,keyCertSign,cRLSign",
    )  # fmt: skip


def make_certificate(
    folder: Path, name: str, ca: str, extension: str, *, key: str = "ec", days: int = 2
) -> None:
    openssl(
        folder, "req", *KEYS[key],
        "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}",
    )  # fmt: skip
    # Python 3.13 checks certificates by RFC 5280 to the letter
    (folder / f"{name}.ext").write_text(extension + "authorityKeyIdentifier=keyid\n")
    openssl(
        folder, "x509", "-req", "-in", f"{name}.csr", "-CA", f"{ca}.pem", "-CAkey", f"{ca}.key",
        "-CAcreateserial", "-days", str(days), "-out", f"{name}.pem", "-extfile", f"{name}.ext",
    )  # fmt: skip


def make_all(folder: Path) -> None:
    """ca and other-ca; server, client and expired by the first, stranger by the other."""
    make_ca(folder, "ca")
    make_ca(folder, "other-ca")
    make_certificate(folder, "server", "ca", SERVER)
    make_certificate(folder, "client", "ca", CLIENT)
    make_certificate(folder, "expired", "ca", CLIENT, days=-1)
    make_certificate(folder, "stranger", "other-ca", CLIENT)
