"""A server's certificate that is renewed while it runs, seen by whoever connects next."""

from __future__ import annotations

import shutil
import ssl
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

import pytest
from structlog.testing import capture_logs

from poller.certificates import Renewable
from poller.publishing.tls import tls_server_context
from poller.site.settings import Tls
from tests.publishing import certificates

CLIENT: Final = "client"


@pytest.fixture
def folder(certified: Path, tmp_path: Path) -> Path:
    """server.pem and server.key are served; next.pem and next.key are of the same CA."""
    shutil.copytree(certified, tmp_path, dirs_exist_ok=True)
    shutil.copy(tmp_path / "ca.pem", tmp_path / "trusted.pem")  # by clients, whatever becomes of it
    certificates.make_certificate(tmp_path, "next", "ca", certificates.SERVER)
    return tmp_path


def served(folder: Path) -> Renewable:
    """As the IEC 104 output has it."""
    tls = Tls(ca="ca.pem", certificate="server.pem", key="server.key")
    files = [folder / name for name in ("server.pem", "server.key", "ca.pem")]
    return Renewable(lambda: tls_server_context(tls, folder), files, of="here")


def seen(
    folder: Path,
    server: Renewable,
    client: str = CLIENT,
    *,
    named: bool = True,
    version: ssl.TLSVersion = ssl.TLSVersion.TLSv1_3,
) -> str:
    """The name in the certificate that a client sees which connects now; SSLError: it may not. A
    handshake in memory."""
    trusting = ssl.create_default_context(cafile=str(folder / "trusted.pem"))
    trusting.check_hostname = named
    trusting.maximum_version = version
    trusting.load_cert_chain(folder / f"{client}.pem", folder / f"{client}.key")
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    asking = trusting.wrap_bio(back, there, server_hostname=certificates.HOST if named else None)
    answering = server.context.wrap_bio(there, back, server_side=True)
    for side in (asking, answering, asking, answering, asking):
        with suppress(ssl.SSLWantReadError):
            side.do_handshake()
    found = asking.getpeercert()
    assert found is not None
    (((_, name),),) = found["subject"]  # type: ignore[misc]
    return str(name)


def put(folder: Path, name: str, suffix: str) -> None:
    """Beside it, then in its place, as tools that renew do."""
    shutil.copy(folder / f"{name}{suffix}", folder / "new")
    (folder / "new").rename(folder / f"server{suffix}")


def test_another_pair_is_taken(folder: Path) -> None:
    renewable = served(folder)
    assert seen(folder, renewable) == "server"
    put(folder, "next", ".key")
    put(folder, "next", ".pem")
    renewable.look()
    assert seen(folder, renewable) == "next"


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("keys", [("ec", "rsa"), ("rsa", "ec")], ids="-".join)
def test_another_kind_of_key_is_taken_in_place_of_the_one_before(
    folder: Path, keys: tuple[str, str], named: bool, version: ssl.TLSVersion
) -> None:
    for name, key in zip(("server", "next"), keys, strict=True):
        certificates.make_certificate(folder, name, "ca", certificates.SERVER, key=key)
    renewable = served(folder)
    put(folder, "next", ".key")
    put(folder, "next", ".pem")
    renewable.look()
    assert seen(folder, renewable, named=named, version=version) == "next"


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_another_authority_is_taken_in_place_of_the_one_before(
    folder: Path, version: ssl.TLSVersion
) -> None:
    renewable = served(folder)
    with pytest.raises(ssl.SSLError):
        seen(folder, renewable, "stranger", version=version)
    shutil.copy(folder / "other-ca.pem", folder / "ca.pem")
    renewable.look()
    assert seen(folder, renewable, "stranger", version=version) == "server"
    with pytest.raises(ssl.SSLError):
        seen(folder, renewable, CLIENT, version=version)


def test_half_a_pair_is_not_taken_and_the_whole_is_once_it_is_there(folder: Path) -> None:
    renewable = served(folder)
    put(folder, "next", ".pem")
    renewable.look()
    assert seen(folder, renewable) == "server"
    put(folder, "next", ".key")
    renewable.look()
    assert seen(folder, renewable) == "next"


def locked(folder: Path) -> None:
    """A key that asks for a password."""
    certificates.openssl(
        folder, "ec", "-in", "next.key", "-aes256", "-passout", "pass:heron", "-out", "server.key"
    )


SPOILED: list[tuple[str, Callable[[Path], object]]] = [
    ("no authority", lambda folder: (folder / "ca.pem").write_text("no certificate")),
    ("gone", lambda folder: (folder / "server.pem").unlink()),
    ("no certificate", lambda folder: (folder / "server.pem").write_text("no certificate")),
    ("empty", lambda folder: (folder / "server.key").write_text("")),
    ("key of another", lambda folder: put(folder, "stranger", ".key")),
    ("key with a password", locked),
]


@pytest.mark.parametrize(
    "spoil", [spoil for _, spoil in SPOILED], ids=[name for name, _ in SPOILED]
)
def test_what_can_not_be_used_is_told_once_and_the_one_before_goes_on(
    folder: Path, spoil: Callable[[Path], object]
) -> None:
    renewable = served(folder)
    spoil(folder)
    with capture_logs() as logs:
        renewable.look()
        renewable.look()
    assert seen(folder, renewable) == "server"
    assert [one["event"] for one in logs] == ["certificate not taken anew"]


def test_what_can_not_be_used_stands_in_what_is_told_until_it_can(folder: Path) -> None:
    """A restart would not survive it."""
    renewable = served(folder)
    assert renewable.says == ""
    put(folder, "next", ".key")
    renewable.look()
    assert renewable.says.startswith("; a renewed certificate can't be used: ")
    put(folder, "next", ".pem")
    renewable.look()
    assert renewable.says == ""
