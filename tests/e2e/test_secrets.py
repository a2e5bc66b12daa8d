"""A running service with a marked secret in every place that takes one; none comes out anywhere.

The marks are looked for as they are and as base64, hex and JSON would write them.
"""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from tests.e2e import processes as run
from tests.publishing import certificates
from tests.publishing.brokers import MOSQUITTO, Mosquitto, free_port
from tests.web.house import FOR_SOME, PATHS

pytestmark = pytest.mark.timeout(300)  # a dozen commands of two seconds each, on a busy machine
QUIET = run.CONFIG / "scenarios" / "quiet.yaml"
MARKS = {
    "the broker's user": "marked-user-zq41",
    "the broker's password": "marked-broker-zq42",
    "an OPC UA password": "marked-opcua-zq43",
    "a page password": "marked-page-zq44",
    "a wrong page password": "marked-wrong-zq45",
    "a password typed as a name": "marked-name-zq46",
}
COMES_OUT = ("log", "journal", "broker", "command line", "evidence", "page", "process list")


def key_marks(folder: Path) -> dict[str, str]:
    """A line from the middle of each private key."""
    names = {
        "the broker client's key": "client.key",
        "the signing key": "signing.pem",
        "the OPC UA server's key": "opcua-key.pem",
    }
    return {what: (folder / name).read_text().splitlines()[1] for what, name in names.items()}


def make_broker(folder: Path, broker_folder: Path) -> Mosquitto:
    passwords = broker_folder / "passwords"
    passwords.touch()
    user, password = MARKS["the broker's user"], MARKS["the broker's password"]
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), user, password], check=True)
    settings = (
        "allow_anonymous false",
        f"password_file {passwords}",
        f"cafile {folder}/ca.pem",
        f"certfile {folder}/server.pem",
        f"keyfile {folder}/server.key",
        "require_certificate true",
    )
    return Mosquitto(broker_folder, settings="\n".join(settings))


def write_site(folder: Path, addresses: dict[str, str], broker_port: int, page_port: int) -> Path:
    path = run.write_site(folder, addresses, broker_port)
    site = json.loads(path.read_text())
    site["broker"] |= {
        "tls": {"ca": "ca.pem", "certificate": "client.pem", "key": "client.key"},
        "user": {"env": "MARKED_USER"},
        "password": {"file": "broker-password"},
    }
    (folder / "broker-password").write_text(MARKS["the broker's password"])
    person = {"name": "Desk", "password": {"env": "MARKED_OPCUA"}}
    site["outputs"]["opcua"] = {"port": free_port(), "people": [person]}
    site["page"] = {"port": page_port}
    path.write_text(json.dumps(site))
    return path


class House:
    """The service, and all that comes out of it, by where."""

    def __init__(self, folder: Path, site: Path, page: str, pid: int) -> None:
        self.folder, self.site, self.page, self.pid = folder, site, page, pid
        self.token = ""
        self.out: dict[str, bytes] = {}

    def bayroll(self, *words: str, codes: tuple[int, ...] = (0,)) -> bytes:
        result = subprocess.run(
            [sys.executable, "-m", "poller.cli.app", *words, "--site", str(self.site)],
            capture_output=True,
            timeout=60,
            cwd=run.ROOT,
            env={**os.environ, "BAYROLL_RUNTIME_DIR": str(self.folder / "run")},
        )
        assert result.returncode in codes, result.stderr
        return result.stdout + result.stderr

    def outputs(self) -> dict[str, bool]:
        said = self.bayroll("status", "--json", codes=(0, 1))  # 1: something is not well yet
        told = json.loads(said.splitlines()[0])
        return {one["output"]: one["connected"] and not one["lag"] for one in told["outputs"]}

    def add_user(self) -> None:
        given = self.folder / "page-password"
        given.write_text(MARKS["a page password"])
        roles = ("security_administrator", "auditor", "engineer", "viewer")
        known = [word for role in roles for word in ("--role", role)]
        words = ("--password-file", str(given), "--who", "J. Kral")
        self.bayroll("user", "add", "ute", *known, *words)

    def use_page(self) -> bytes:
        """Refused, refused, let in; then every view, and what a program is told."""
        seen = b""
        with httpx.Client(base_url=self.page, timeout=60) as client:
            for user, password in (
                ("ute", MARKS["a wrong page password"]),
                (MARKS["a password typed as a name"], "a-long-password"),
                ("ute", MARKS["a page password"]),
            ):
                answer = client.post("/api/v1/session", json={"user": user, "password": password})
                seen += answer.content
            assert answer.status_code == 200, "the right password was taken"
            [self.token] = [cookie.value or "" for cookie in client.cookies.jar]
            for path in (*PATHS, *FOR_SOME, "/api/v1/openapi.json", "/metrics"):
                answer = client.get(path)
                assert answer.status_code == 200, path
                seen += answer.content
        return seen

    def evidence(self) -> bytes:
        out = self.folder / "evidence"
        until = datetime.now(UTC).isoformat(timespec="seconds")
        span = ("--from", "2026-01-01", "--to", until, "--zone", "UTC")
        self.bayroll(
            *("evidence", "make", *span, "--out", str(out)),
            *("--sign", str(self.folder / "signing.pem")),
        )
        return b"".join(one.read_bytes() for one in out.rglob("*") if one.is_file())

    def process_list(self) -> bytes:
        """Its own words, and those of every process that it started."""
        words = b""
        ours = {self.pid}
        for stat in sorted(Path("/proc").glob("[0-9]*/stat"), key=lambda one: int(one.parts[2])):
            try:
                parent = int(stat.read_text().rpartition(")")[2].split()[1])
                if parent in ours or int(stat.parts[2]) in ours:
                    ours.add(int(stat.parts[2]))
                    words += stat.with_name("cmdline").read_bytes() + b"\n"
            except OSError:
                continue  # it has ended
        return words


def signing_key(folder: Path) -> None:
    certificates.openssl(folder, "genpkey", "-algorithm", "ed25519", "-out", "signing.pem")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    if MOSQUITTO is None or certificates.OPENSSL is None:
        pytest.skip("Mosquitto and OpenSSL are not installed on this machine")
    folder, broker_folder = (tmp_path_factory.mktemp(name) for name in ("marked", "broker"))
    certificates.make_all(folder)
    signing_key(folder)
    broker = make_broker(folder, broker_folder)
    page_port = free_port()
    environment = {
        "BAYROLL_RUNTIME_DIR": str(folder / "run"),
        "MARKED_USER": MARKS["the broker's user"],
        "MARKED_OPCUA": MARKS["an OPC UA password"],
    }
    log, heard = folder / "log", broker_folder / "heard"
    with (
        run.process(MOSQUITTO, "-c", str(broker_folder / "mosquitto.conf")),
        run.simulator(QUIET, folder) as addresses,
        log.open("wb") as out,
        heard.open("wb") as told,
    ):
        run.until(lambda: run.listens(broker.port), "Mosquitto listens")
        site = write_site(folder, addresses, broker.port, page_port)
        run_it = [sys.executable, "-m", "poller.cli.app", "run", str(site), "--log-json"]
        listen = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker.port), "-v", "-t", "#"]
        listen += ["--cafile", f"{folder}/ca.pem", "--cert", f"{folder}/client.pem"]
        listen += ["--key", f"{folder}/client.key", "-u", MARKS["the broker's user"]]
        listen += ["-P", MARKS["the broker's password"]]
        with (
            run.process(*listen, stdout=told),
            run.process(*run_it, stdout=out, stderr=out, **environment) as service,
        ):
            made = House(folder, site, f"http://127.0.0.1:{page_port}", service.pid)
            run.until(lambda: run.listens(page_port), "the page is served")
            made.add_user()
            seen = made.use_page()
            # they were let in with what is marked, or there would be nothing to look for
            run.until(lambda: all(made.outputs().values()), "every output is connected", 60.0)
            said = b"".join(
                made.bayroll(*words) for words in (("status",), ("history",), ("user", "list"))
            )
            made.out = {
                "page": seen,
                "command line": said + made.bayroll("journal", "export"),
                "evidence": made.evidence(),
                "process list": made.process_list(),
            }
        made.out |= {"log": log.read_bytes(), "broker": heard.read_bytes()}
        made.out["journal"] = b"".join(
            one.read_bytes() for one in sorted(folder.glob("bayroll.journal*"))
        )
        yield made


def written(mark: str) -> list[bytes]:
    """As it is, and as it could stand in other text. Of base64, what its place can't change."""
    raw = mark.encode()
    shifted = (base64.b64encode(b"x" * at + raw)[4:-4] for at in range(3))
    return [raw, raw.hex().encode(), *shifted]


@pytest.mark.parametrize("where", COMES_OUT)
def test_no_secret_comes_out(house: House, where: str) -> None:
    text = house.out[where]
    assert text, "something came out there"
    marks = MARKS | key_marks(house.folder) | {"a session": house.token}
    # the form gives a name back to who typed it; nobody else sees it
    found = [what for what, mark in marks.items() if any(one in text for one in written(mark))]
    assert found == []


def test_everything_that_was_marked_was_used(house: House) -> None:
    assert b"opcua" in house.out["process list"], "the process with the OPC UA password ran"
    assert b"sign_in" in house.out["journal"], "comings and refusals were kept"
    assert (house.folder / "evidence").exists()


@pytest.mark.parametrize("before", ["", "u", "us", "user:"])
def test_a_mark_is_found_in_base64_too(before: str) -> None:
    """So that the tests above can fail."""
    mark = MARKS["the broker's password"]
    coded = base64.b64encode(f"{before}{mark}:rest".encode())
    assert any(one in coded for one in written(mark))
