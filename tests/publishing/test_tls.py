"""Whom a context of ours trusts, and which of its files can't be used; certificates by OpenSSL."""

from __future__ import annotations

import shutil
import ssl
from collections.abc import Callable
from pathlib import Path

import pytest

from poller.publishing.tls import tls_context, tls_server_context
from poller.site.settings import Tls

TLS = Tls(ca="ca.pem", certificate="client.pem", key="client.key")
BOTH = pytest.mark.parametrize("make", [tls_context, tls_server_context])
Make = Callable[[Tls, Path], ssl.SSLContext]


@pytest.fixture
def folder(certified: Path, tmp_path: Path) -> Path:
    shutil.copytree(certified, tmp_path, dirs_exist_ok=True)
    return tmp_path


@BOTH
def test_only_the_authority_that_is_named_is_trusted(make: Make, folder: Path) -> None:
    """And none of those that the system trusts."""
    [trusted] = make(TLS, folder).get_ca_certs()
    assert trusted["subject"] == ((("commonName", "ca"),),)


@BOTH
@pytest.mark.parametrize("gone", ["ca.pem", "client.pem", "client.key"])
def test_a_file_that_is_not_there_is_named(make: Make, folder: Path, gone: str) -> None:
    (folder / gone).unlink()
    with pytest.raises(OSError, match=rf"No such file or directory: '.*/{gone}'"):
        make(TLS, folder)


@BOTH
@pytest.mark.parametrize(
    ("broken", "told"),
    [
        ("ca.pem", "/ca.pem: "),
        ("client.pem", "/client.pem and .*/client.key: "),
        ("client.key", "/client.pem and .*/client.key: "),
    ],
)
def test_a_file_that_is_no_pem_is_named(make: Make, folder: Path, broken: str, told: str) -> None:
    (folder / broken).write_text("no PEM")
    with pytest.raises(OSError, match=told):
        make(TLS, folder)


@BOTH
def test_a_key_of_another_certificate_is_told_with_both(make: Make, folder: Path) -> None:
    with pytest.raises(OSError, match=r"/client.pem and .*/server.key: "):
        make(Tls(ca="ca.pem", certificate="client.pem", key="server.key"), folder)
