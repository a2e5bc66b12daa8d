"""The files of a site as they lie on a disk; certificates made by OpenSSL."""

from __future__ import annotations

import os
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from poller.answers.selftest import ONLY_OWNER, OTHERS_READ, OTHERS_WRITE
from poller.cli import common
from poller.edges.files_seen import (
    Kept,
    certificate,
    certificates,
    kept,
    look_at,
    pairs,
    unpaired,
)
from tests.publishing import certificates as made

MORE = """
page: {host: 10.0.0.9, tls: {certificate: page.pem, key: page.key}}
"""
BROKER = """broker:
  host: 127.0.0.1
  user: {env: BAYROLL_USER}
  password: {file: broker.password}
  tls: {ca: ca.pem, certificate: client.pem, key: client.key}
outputs:
  syslog: {host: 127.0.0.1, tls: {ca: ca.pem}}
  opcua: {people: [{name: Desk, password: {file: desk.password}}]}
relays:
  - {id: r1, bay: Q1, function: main 1, host: 127.0.0.1, maps: [any]}
"""
SITE = "format: 1\nsite: fell\nname: Fell" + MORE + BROKER


def test_every_key_and_secret_that_the_site_file_names(tmp_path: Path) -> None:
    file, journal, users = (tmp_path / name for name in ("site.yaml", "j", "j.users"))
    file.write_text(SITE)
    users.touch()
    for made_by_us in ("j", "j-wal"):
        (tmp_path / made_by_us).touch()
    assert set(kept(file, common.load(file), journal, users)) == {
        Kept(file, OTHERS_WRITE),
        Kept(tmp_path, OTHERS_WRITE),
        Kept(journal, OTHERS_WRITE),
        Kept(tmp_path / "j-wal", OTHERS_WRITE),
        Kept(users, ONLY_OWNER),
        Kept(tmp_path / "page.key", OTHERS_READ),
        Kept(tmp_path / "client.key", OTHERS_READ),
        Kept(tmp_path / "broker.password", OTHERS_READ),
        Kept(tmp_path / "desk.password", OTHERS_READ),
    }


def test_every_certificate_that_the_site_file_names(tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(SITE)
    assert set(certificates(file, common.load(file))) == {
        (tmp_path / "page.pem", False),
        (tmp_path / "client.pem", False),
        (tmp_path / "ca.pem", True),
    }


def test_every_certificate_that_is_named_with_its_key(tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(SITE)
    assert set(pairs(file, common.load(file))) == {
        (tmp_path / "page.pem", tmp_path / "page.key"),
        (tmp_path / "client.pem", tmp_path / "client.key"),
    }


def test_a_certificate_and_the_key_of_another_are_no_pair(tmp_path: Path) -> None:
    for name in ("client", "server"):
        made.make_ca(tmp_path, name)
    own, other, none = (tmp_path / f"{name}.key" for name in ("client", "server", "none"))
    certificate = tmp_path / "client.pem"
    assert unpaired(certificate, own) is None
    assert unpaired(certificate, none) is None, "another line tells that"
    assert unpaired(certificate, Path("a\x00b")) is None
    assert "MISMATCH" in str(unpaired(certificate, other))


@pytest.mark.parametrize("mode", [0o600, 0o644, 0o4755])
def test_permission_bits_are_those_that_were_set(tmp_path: Path, mode: int) -> None:
    file = tmp_path / "x"
    file.touch()
    file.chmod(mode)
    seen = look_at(file)
    assert seen.mode == mode == stat.S_IMODE(file.stat().st_mode)


@pytest.mark.parametrize(("name", "needs", "says"), [
    ("file", os.R_OK, "read it"),
    ("folder", os.W_OK | os.X_OK, "write in it"),
])  # fmt: skip
def test_what_its_user_may_not_do_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, needs: int, says: str
) -> None:
    """Played, as a test may run as root, whom nothing keeps out."""
    (tmp_path / "file").touch()
    (tmp_path / "folder").mkdir()
    assert look_at(tmp_path / name).denied is None
    asked: list[int] = []
    monkeypatch.setattr("poller.edges.files_seen.os.access", lambda _, how: asked.append(how))
    assert (look_at(tmp_path / name).denied, asked) == (says, [needs])


@pytest.mark.parametrize("name", ["gone", "not\0a name"])
def test_what_can_not_be_looked_at_has_no_mode(tmp_path: Path, name: str) -> None:
    assert look_at(tmp_path / name).mode is None


def test_a_certificate_ends_when_openssl_says(tmp_path: Path) -> None:
    made.make_ca(tmp_path, "ca")  # for two days from now
    seen = certificate(tmp_path / "ca.pem", of_authority=True)
    assert seen.ends is not None
    left = seen.ends - datetime.now(UTC)
    assert timedelta(days=2) - timedelta(minutes=5) < left <= timedelta(days=2)


@pytest.mark.parametrize(("of_authority", "days"), [(True, 9), (False, 2)])
def test_of_several_in_a_file(tmp_path: Path, of_authority: bool, days: int) -> None:
    """A chain is as good as its first to end; of authorities one may follow another."""
    made.make_ca(tmp_path, "ca")
    made.openssl(
        tmp_path, "req", "-x509", *made.KEYS["ec"], "-days", "9",
        "-keyout", "n.key", "-out", "n.pem", "-subj", "/CN=n",
    )  # fmt: skip
    both = tmp_path / "both.pem"
    both.write_bytes((tmp_path / "ca.pem").read_bytes() + (tmp_path / "n.pem").read_bytes())
    seen = certificate(both, of_authority)
    assert seen.ends is not None
    assert round((seen.ends - datetime.now(UTC)) / timedelta(days=1)) == days


@pytest.mark.parametrize("octets", [b"", b"not PEM", b"-----BEGIN CERTIFICATE-----\nAAAA\n"])
def test_what_is_no_certificate_says_so(tmp_path: Path, octets: bytes) -> None:
    file = tmp_path / "x.pem"
    file.write_bytes(octets)
    seen = certificate(file, of_authority=False)
    assert (seen.ends, bool(seen.why)) == (None, True)
