"""A server's certificate that is renewed while it runs, seen by whoever connects next."""

from __future__ import annotations

import shutil
import ssl
from collections.abc import Callable
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from poller.certificates import Renewable
from tests.publishing import certificates


@pytest.fixture
def folder(certified: Path, tmp_path: Path) -> Path:
    """server.pem and server.key are served; next.pem and next.key are of the same CA."""
    shutil.copytree(certified, tmp_path, dirs_exist_ok=True)
    certificates.make_certificate(tmp_path, "next", "ca", certificates.SERVER)
    return tmp_path


def served(folder: Path) -> tuple[Renewable, Callable[[], str]]:
    """As a server would have it; and the name in the certificate that the next client sees."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    pair = folder / "server.pem", folder / "server.key"
    context.load_cert_chain(*pair)
    trusting = ssl.create_default_context(cafile=str(folder / "ca.pem"))
    return Renewable(context, *pair, of="here"), lambda: seen(context, trusting)


def seen(server: ssl.SSLContext, client: ssl.SSLContext) -> str:
    """A handshake in memory."""
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    asking = client.wrap_bio(back, there, server_hostname=certificates.HOST)
    answering = server.wrap_bio(there, back, server_side=True)
    for side in (asking, answering, asking):
        try:
            side.do_handshake()
        except ssl.SSLWantReadError:
            continue
    found = asking.getpeercert()
    assert found is not None
    (((_, name),),) = found["subject"]  # type: ignore[misc]
    return str(name)


def put(folder: Path, name: str, suffix: str) -> None:
    """Beside it, then in its place, as tools that renew do."""
    shutil.copy(folder / f"{name}{suffix}", folder / "new")
    (folder / "new").rename(folder / f"server{suffix}")


def test_another_pair_is_taken(folder: Path) -> None:
    renewable, name = served(folder)
    assert name() == "server"
    put(folder, "next", ".key")
    put(folder, "next", ".pem")
    renewable.look()
    assert name() == "next"


def test_half_a_pair_is_not_taken_and_the_whole_is_once_it_is_there(folder: Path) -> None:
    renewable, name = served(folder)
    put(folder, "next", ".pem")
    renewable.look()
    assert name() == "server"
    put(folder, "next", ".key")
    renewable.look()
    assert name() == "next"


def locked(folder: Path) -> None:
    """A key that asks for a password."""
    certificates.openssl(
        folder, "ec", "-in", "next.key", "-aes256", "-passout", "pass:heron", "-out", "server.key"
    )


SPOILED: list[tuple[str, Callable[[Path], object]]] = [
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
    renewable, name = served(folder)
    spoil(folder)
    with capture_logs() as logs:
        renewable.look()
        renewable.look()
    assert name() == "server"
    assert [one["event"] for one in logs] == ["certificate not taken anew"]
