"""Certificates of the OPC UA server: its own, and those of clients that it trusts.

Source: OPC 10000-4, 6.1 (which certificate is trusted), OPC 10000-6, 6.2.2 (what it carries), OPC
10000-7, Basic256Sha256 (RSA, 2048 to 4096 bits, SHA-256); from memory.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import ip_address
from pathlib import Path
from typing import Final

from asyncua.crypto.cert_gen import (
    dump_private_key_as_pem,
    generate_private_key,
    generate_self_signed_app_certificate,
)
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key
from cryptography.x509.oid import ExtendedKeyUsageOID

from poller.model import limits
from poller.model.text import shown

DAYS: Final = 10 * 365  # a substation is not visited for a certificate each year
KEY_BITS: Final = (2_048, 4_096)
OURS_ONLY, FOR_ALL = 0o600, 0o644


class Unusable(Exception):
    """A file can't be used; which, and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """uri: of the application, as its certificate says. made: just now; no client knows it yet."""

    certificate: x509.Certificate
    key: RSAPrivateKey
    uri: str
    made: bool


def own(certificate: Path, key: Path, *, make: tuple[str, str] | None) -> Own:
    """As in the files, PEM. make: the URI and the host for which what is missing is made.

    Raises Unusable.
    """
    made = False
    try:
        if make is not None and not certificate.exists():
            _make(certificate, key, *make)
            made = True
        found = _certificate(certificate.read_bytes())
        loaded = load_pem_private_key(key.read_bytes(), password=None)
    except (OSError, ValueError, TypeError) as reason:  # TypeError: a key behind a password
        raise Unusable(f"{certificate} and {key}: {shown(str(reason))}") from reason
    if not isinstance(loaded, RSAPrivateKey) or not KEY_BITS[0] <= loaded.key_size <= KEY_BITS[1]:
        raise Unusable(f"{key}: Basic256Sha256 needs an RSA key of 2048 to 4096 bits")
    if found.public_key() != loaded.public_key():
        raise Unusable(f"{certificate}: it is not of the key in {key}")
    uris = _uris(found)
    if not uris:
        raise Unusable(f"{certificate}: it names no application URI (subjectAltName URI)")
    return Own(certificate=found, key=loaded, uri=uris[0], made=made)


def _make(certificate: Path, key: Path, uri: str, host: str) -> None:
    """Self-signed. A key that is there already is used."""
    if not key.exists():
        _put(key, dump_private_key_as_pem(generate_private_key()), OURS_ONLY)
    loaded = load_pem_private_key(key.read_bytes(), password=None)
    usages = [ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH]
    names = [x509.UniformResourceIdentifier(uri), _host(host)]
    signed = generate_self_signed_app_certificate(loaded, uri, {}, names, usages, days=DAYS)
    _put(certificate, signed.public_bytes(Encoding.PEM), FOR_ALL)


def _put(path: Path, octets: bytes, mode: int) -> None:
    """All of it or nothing: half a key would stand there for ever."""
    half = path.with_name(f"{path.name}.half")
    half.unlink(missing_ok=True)
    half.touch(mode=mode)
    with half.open("wb") as file:
        file.write(octets)
        file.flush()
        os.fsync(file.fileno())
    half.replace(path)


def _host(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(host))
    except ValueError:
        return x509.DNSName(host)


class Trust:
    """The certificates in a folder, each by itself, PEM or DER; looked at each time."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def refuses(self, octets: bytes | None) -> str | None:
        """Why a client's certificate (DER) is not trusted; None: it is. Safe to show."""
        if not octets:
            return "it showed no certificate"
        try:
            given = x509.load_der_x509_certificate(octets)
        except ValueError:
            return "what it showed is no certificate"
        name = shown(given.subject.rfc4514_string(), limits.SENTENCE_TEXT_MAX)
        who = f"{name} (SHA-1 {thumbprint(given)})"
        if not given.not_valid_before_utc <= datetime.now(UTC) <= given.not_valid_after_utc:
            return f"the certificate of {who} is out of date"
        if given not in self._trusted():
            return f"the certificate of {who} is not in {self._folder}"
        return None

    def _trusted(self) -> list[x509.Certificate]:
        found = []
        try:
            paths = sorted(self._folder.iterdir())[: limits.OPCUA_TRUSTED_MAX]
        except OSError:
            return []
        for path in paths:
            try:
                with path.open("rb") as file:
                    found.append(_certificate(file.read(limits.OPCUA_CHUNK_OCTETS)))
            except (OSError, ValueError):
                continue  # a note or a key among them
        return found


def thumbprint(certificate: x509.Certificate) -> str:
    """As clients show it."""
    return certificate.fingerprint(hashes.SHA1()).hex()  # noqa: S303


def names_uri(octets: bytes, uri: str | None) -> bool:
    """A client's certificate is of the application that it says it is."""
    return uri in _uris(x509.load_der_x509_certificate(octets))


def _certificate(octets: bytes) -> x509.Certificate:
    if octets.startswith(b"-----BEGIN"):
        return x509.load_pem_x509_certificate(octets)
    return x509.load_der_x509_certificate(octets)


def _uris(certificate: x509.Certificate) -> list[str]:
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except (x509.ExtensionNotFound, ValueError):
        return []
    return names.value.get_values_for_type(x509.UniformResourceIdentifier)
