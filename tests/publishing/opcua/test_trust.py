"""Certificates of the OPC UA server and of those that it trusts, against OpenSSL's."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.publishing.opcua.peer import make_client

# isort: split
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from poller.publishing.opcua.trust import Own, Trust, Unusable, own


def test_its_certificate_is_made_once_and_its_key_is_its_own(tmp_path: Path) -> None:
    certificate, key = tmp_path / "c.pem", tmp_path / "k.pem"
    first = own(certificate, key, make=("urn:bayroll:x", "127.0.0.1"))
    assert key.stat().st_mode & 0o777 == 0o600
    second = own(certificate, key, make=("urn:bayroll:x", "127.0.0.1"))
    assert first.certificate == second.certificate
    assert first.uri == "urn:bayroll:x"


def test_a_certificate_that_was_taken_away_is_made_anew_of_the_same_key(tmp_path: Path) -> None:
    certificate, key = tmp_path / "c.pem", tmp_path / "k.pem"
    first = own(certificate, key, make=("urn:bayroll:x", "h"))
    certificate.unlink()
    second = own(certificate, key, make=("urn:bayroll:x", "h"))
    assert first.key.private_numbers() == second.key.private_numbers()


@pytest.mark.parametrize("call", range(4))
def test_whatever_ends_it_while_it_makes_them_the_next_start_has_both(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: int
) -> None:
    """Killed when the key, then the certificate, is written and when it is to get its name."""
    certificate, key, made = tmp_path / "c.pem", tmp_path / "k.pem", ("urn:bayroll:x", "h")
    calls = iter(range(100))

    class Killed(BaseException):
        pass

    def dying(real: Callable[..., Any]) -> Callable[..., Any]:
        def dies(*arguments: Any) -> Any:
            if next(calls) == call:
                raise Killed
            return real(*arguments)

        return dies

    monkeypatch.setattr(os, "fsync", dying(os.fsync))
    monkeypatch.setattr(Path, "replace", dying(Path.replace))
    with pytest.raises(Killed):
        own(certificate, key, make=made)
    assert own(certificate, key, make=made).uri == "urn:bayroll:x"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["c.pem", "k.pem"]


def found(folder: Path, certificate: str, key: str) -> Own:
    return own(folder / certificate, folder / key, make=None)


def test_the_files_of_the_operator_are_taken_as_they_are(tmp_path: Path) -> None:
    make_client(tmp_path, "one", uri="urn:plant:bayroll")
    make_client(tmp_path, "two")
    (tmp_path / "no.pem").write_text("no certificate")
    assert found(tmp_path, "one.pem", "one-key.pem").uri == "urn:plant:bayroll"
    for certificate, key, says in (
        ("one.pem", "two-key.pem", "it is not of the key"),
        ("none.pem", "one-key.pem", "No such file"),
        ("no.pem", "one-key.pem", "no.pem"),
    ):
        with pytest.raises(Unusable, match=says):
            found(tmp_path, certificate, key)


def test_what_lies_beside_certificates_does_no_harm(tmp_path: Path) -> None:
    trusted = tmp_path / "trusted"
    trusted.mkdir()
    made = x509.load_pem_x509_certificate(make_client(tmp_path, "one").read_bytes())
    der = made.public_bytes(Encoding.DER)
    trust = Trust(trusted)
    (trusted / "README").write_text("certificates of clients")
    (trusted / "folder").mkdir()
    assert "is not in" in (trust.refuses(der) or "")
    (trusted / "one.der").write_bytes(der)
    assert trust.refuses(der) is None
    assert trust.refuses(der[:-1]) == "what it showed is no certificate"
    assert trust.refuses(None) == "it showed no certificate"


def test_a_certificate_that_is_out_of_date_is_not_trusted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trusted = tmp_path / "trusted"
    trusted.mkdir()
    made = make_client(tmp_path, "one")
    (trusted / "one.pem").write_bytes(made.read_bytes())
    der = x509.load_pem_x509_certificate(made.read_bytes()).public_bytes(Encoding.DER)

    class Later(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return datetime.now(UTC) + timedelta(days=3)

    monkeypatch.setattr("poller.publishing.opcua.trust.datetime", Later)
    assert "out of date" in (Trust(trusted).refuses(der) or "")
