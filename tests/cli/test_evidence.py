"""bayroll evidence: a bundle, whole or not at all; and whether one is as it was made.

Signatures are checked by OpenSSL's command line, lists of files by coreutils' sha256sum.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from poller.answers.evidence.manifest import NAME, SIGNATURE
from tests.cli.bench import HOSTILE, Bench

SPAN = ("--from", "2026-02-01", "--to", "2026-03-02", "--zone", "UTC")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def signed(bench: Bench, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with keys, and a bundle that was signed with them."""
    folder = tmp_path_factory.mktemp("signed")
    make_keys(folder)
    make(bench, folder / "bundle", "--sign", str(folder / "key.pem"))
    return folder


@pytest.fixture
def bundle(signed: Path, tmp_path: Path) -> Path:
    """A copy, to tamper with."""
    shutil.copytree(signed / "bundle", tmp_path / "a")
    return tmp_path / "a"


def make(bench: Bench, out: Path, *more: str) -> None:
    done = bench.run("evidence", *SPAN, "--out", str(out), *more)
    assert done.exit_code == 0, done.output


def read(out: Path) -> dict[str, bytes]:
    return {
        one.relative_to(out).as_posix(): one.read_bytes() for one in out.rglob("*") if one.is_file()
    }


def run(*words: str, cwd: Path) -> int:
    return subprocess.run(words, cwd=cwd, capture_output=True, check=False).returncode


def make_keys(folder: Path) -> None:
    for words in (
        ("genpkey", "-algorithm", "ed25519", "-out", "key.pem"),
        ("pkey", "-in", "key.pem", "-pubout", "-out", "public.pem"),
    ):
        assert run("openssl", *words, cwd=folder) == 0


def test_a_bundle_that_another_program_finds_whole(bundle: Path) -> None:
    assert run("sha256sum", "--check", "--strict", NAME, cwd=bundle) == 0


def test_twice_the_same_bytes(bench: Bench, tmp_path: Path) -> None:
    for name in ("a", "b"):
        make(bench, tmp_path / name)
    assert read(tmp_path / "a") == read(tmp_path / "b")


def test_the_service_or_its_site_file_are_not_needed(bench: Bench, tmp_path: Path) -> None:
    words = ("evidence", *SPAN, "--out", str(tmp_path / "a"), "--file", str(bench.journal))
    assert bench.run(*words, site=False).exit_code == 0


def test_the_report_tells_what_happened(bundle: Path) -> None:
    page = (bundle / "report.html").read_text(encoding="utf-8")
    assert "firmware changed from 5.1 SP2 to 5.2 (newer), and nobody planned it." in page


def test_hostile_firmware_is_escaped(bundle: Path) -> None:
    page = (bundle / "report.html").read_text(encoding="utf-8")
    assert HOSTILE not in page
    assert r"V1\x1b[2J\u202e&lt;b&gt;" in page


def test_no_address_is_left_in_any_file(bench: Bench, bundle: Path, tmp_path: Path) -> None:
    make(bench, tmp_path / "hidden", "--hide-addresses")
    left = [name for name, data in read(tmp_path / "hidden").items() if b"127." in data]
    there = [name for name, data in read(bundle).items() if b"127." in data]
    assert left == []
    assert {"report.html", "relays.csv"} < set(there)  # else the test would show nothing


def test_nothing_is_written_over(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    done = bench.run("evidence", *SPAN, "--out", str(tmp_path / "a"))
    assert (done.exit_code, list((tmp_path / "a").iterdir())) == (2, [])
    assert "there is something already" in done.output


def test_half_a_bundle_is_never_found(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[Path] = []

    def full(path: Path, data: bytes) -> None:
        written.append(path)
        if len(written) == 3:
            raise OSError(28, "No space left on device")
        path.write_bytes(data)

    monkeypatch.setattr("poller.cli.bundles._write", full)
    done = bench.run("evidence", *SPAN, "--out", str(tmp_path / "a"))
    assert (done.exit_code, list(tmp_path.iterdir())) == (2, [])
    assert "No space left on device" in done.output


BAD = {
    "to is not after from": (("--from", "2026-03-01", "--to", "2026-03-01"), "would be empty"),
    "still to come": (("--from", "2026-03-01", "--to", "2999-01-01"), "still to come"),
    "all still to come": (("--from", "2998-01-01", "--to", "2999-01-01"), "--from 2998-01-01: "),
    "no time": (("--from", "yesterday", "--to", "2026-03-01"), "yesterday"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_span_that_is_none(case: str, bench: Bench, tmp_path: Path) -> None:
    words, says = BAD[case]
    done = bench.run("evidence", *words, "--out", str(tmp_path / "a"))
    assert (done.exit_code, says in done.output) == (2, True), done.output


def advised(told: str) -> str:
    """The latest time that may be given, as the message writes it."""
    return re.findall(r"[0-9-]{10}T[0-9:]{5}[+-][0-9:]{5}", told)[0]


@pytest.mark.parametrize("end", ["tomorrow", "today"])
@pytest.mark.parametrize("zone", ["UTC", "Pacific/Kiritimati"])
def test_what_is_advised_for_today_is_taken(
    bench: Bench, tmp_path: Path, end: str, zone: str
) -> None:
    now = datetime.now(ZoneInfo(zone))
    first = (now - timedelta(minutes=2)).date()  # a day of which there is something already
    to = now.date() + timedelta(days=1) if end == "tomorrow" else first
    words = ("evidence", "--zone", zone, "--from", str(first), "--out", str(tmp_path / "a"))
    refused = bench.run(*words, "--to", str(to))
    assert refused.exit_code == 2
    assert bench.run(*words, "--to", advised(refused.output)).exit_code == 0


def check(bench: Bench, bundle: Path, *more: str) -> tuple[int, str]:
    done = bench.run("evidence", "check", str(bundle), *more, site=False)
    return done.exit_code, done.output


@pytest.mark.parametrize("case", ["changed", "missing", "added"])
def test_a_bundle_that_was_tampered_with(case: str, bench: Bench, bundle: Path) -> None:
    file = bundle / ("new.csv" if case == "added" else "changes.csv")
    if case == "missing":
        file.unlink()
    else:
        file.write_bytes(b"x")
    code, told = check(bench, bundle)
    assert (code, f"{case}: {file.name}" in told) == (1, True), told


def test_a_link_in_place_of_a_file_is_no_file(bench: Bench, bundle: Path) -> None:
    kept = (bundle / "changes.csv").rename(bundle.parent / "kept.csv")
    (bundle / "changes.csv").symlink_to(kept)
    code, told = check(bench, bundle)
    assert (code, "changed: changes.csv" in told) == (1, True), told


def test_a_bundle_as_it_was_made(bench: Bench, bundle: Path) -> None:
    (bundle / SIGNATURE).unlink()
    code, told = check(bench, bundle)
    assert (code, "every file is as it was made; not signed" in told) == (0, True), told


def test_another_program_finds_the_signature_good(signed: Path) -> None:
    key = str(signed / "public.pem")
    words = ("openssl", "pkeyutl", "-verify", "-rawin", "-pubin", "-inkey", key)
    assert run(*words, "-sigfile", SIGNATURE, "-in", NAME, cwd=signed / "bundle") == 0


@pytest.mark.parametrize(
    ("what", "code", "says"),
    [
        ("as signed", 0, "the signature is that of the key"),
        ("manifest made anew", 1, "the signature is NOT the key's"),
        ("signature taken away", 1, "not signed"),
    ],
)
def test_a_signature_is_checked(
    what: str, code: int, says: str, bench: Bench, signed: Path, bundle: Path
) -> None:
    if what == "manifest made anew":
        lines = (bundle / NAME).read_bytes().splitlines(keepends=True)
        (bundle / NAME).write_bytes(b"".join(lines[1:]))
    elif what == "signature taken away":
        (bundle / SIGNATURE).unlink()
    came, told = check(bench, bundle, "--key", str(signed / "public.pem"))
    assert (came, says in told) == (code, True), told


def test_a_key_that_can_not_sign(bench: Bench, signed: Path, tmp_path: Path) -> None:
    key = str(signed / "public.pem")
    done = bench.run("evidence", *SPAN, "--out", str(tmp_path / "a"), "--sign", key)
    assert (done.exit_code, "it is no private key" in done.output) == (2, True), done.output


def test_what_is_no_bundle(bench: Bench, tmp_path: Path) -> None:
    done = bench.run("evidence", "check", str(tmp_path), site=False)
    assert (done.exit_code, "so it is no bundle" in done.output) == (2, True)
