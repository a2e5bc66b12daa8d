"""bayroll package check, on the shipped package and its entry of the shipped approved list."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from poller.cli.shipped import config_folder
from poller.journal.store import Batch, Writer
from poller.model import events as ev
from poller.model.events import Event
from poller.model.nameplate import Nameplate
from tests.cli.bench import AT
from tests.cli.work_bench import WorkBench

DONE, FOUND, BAD_INPUT = 0, 1, 2
WHO = ("--who", "Ada Quill")
NAME = "larch-5-1-sp2-hf3.zip"


def read(relay: str, **told: str | None) -> Event:
    plate: dict[str, Any] = {
        "vendor": "Tarnwick Electric",
        "model": "LARCH-21",
        "hwRev": "C",
        "orderCode": "L21-4C-2E-0",
        "swRev": "5.1 SP2",
    }
    body = ev.NameplateFirstRead(
        nameplate=Nameplate(**(plate | told)), map="larch", first_new_at=AT
    )
    return Event(at=AT, subject=relay, body=body)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> WorkBench:
    monkeypatch.setenv("BAYROLL_RUNTIME_DIR", str(tmp_path / "run"))
    made = WorkBench(tmp_path)
    with Writer.open(made.journal) as writer:
        events = (
            read("q03-main1"),
            read("q04-main1", hwRev="A"),
            read("q05-main1", swRev="5.1 SP1"),
            read("q06-main1", swRev="5.1 SP2 HF3"),
        )
        writer.write([Batch(events=events)])
    shutil.copy(config_folder() / "packages" / NAME, tmp_path)
    return made


def checked(bench: WorkBench, *words: str, code: int = DONE) -> dict[str, Any]:
    result = bench.run("package", "check", *words, *WHO, "--json")
    assert result.exit_code == code, result.output
    return dict(json.loads(result.stdout))


def test_a_package_that_is_as_the_list_says_passes(bench: WorkBench) -> None:
    row = checked(bench, str(bench.folder / NAME))
    assert (row["rule"], row["version"], row["against"], row["archive"]) == (
        "larch",
        "5.1 SP2 HF3",
        [],
        "zip",
    )


def test_it_is_held_against_each_relay_that_it_is_meant_for(bench: WorkBench) -> None:
    row = checked(bench, str(bench.folder / NAME))
    told = {one["relay"]: (one["fits"], one["says"]) for one in row["relays"]}
    assert told["q03-main1"] == (
        True,
        "fits; in one step; needs 256 kB, and how much is free is not known",
    )
    assert told["q04-main1"][0] is False
    assert told["q05-main1"][1].startswith("fits; through 5.1 SP2 first")
    assert told["q01-main1"][0] is None  # it tells neither hardware nor order code
    assert "q06-main1" not in told  # it runs it already


def test_the_check_is_an_event_with_whom_and_how_the_digest_came(bench: WorkBench) -> None:
    checked(bench, str(bench.folder / NAME))
    (row,) = bench.json("history", "--kind", "package_checked")
    assert row["by"].startswith("Ada Quill")
    assert "release note TW-RN-118 on 2026-02-10 by A. Quill" in row["sentence"]


def test_without_a_name_nothing_is_checked(bench: WorkBench) -> None:
    assert bench.run("package", "check", str(bench.folder / NAME)).exit_code == BAD_INPUT


def test_one_octet_more_is_told_by_size_and_digest(bench: WorkBench) -> None:
    path = bench.folder / NAME
    path.write_bytes(path.read_bytes() + b"\x00")
    row = checked(bench, str(path), code=FOUND)
    assert [says.split(",")[0].split(" is ")[0] for says in row["against"]] == [
        "it",
        "its SHA-256",
    ]


def test_it_is_known_by_its_digest_whatever_it_is_called(bench: WorkBench) -> None:
    path = (bench.folder / NAME).rename(bench.folder / "x.bin")
    assert checked(bench, str(path))["version"] == "5.1 SP2 HF3"


def test_a_file_that_the_list_does_not_have_is_told(bench: WorkBench) -> None:
    path = bench.folder / "other.zip"
    path.write_bytes(b"something else")
    row = checked(bench, str(path), code=FOUND)
    assert row["against"] == ["no package of the approved list has this SHA-256 or this file name"]


@pytest.mark.parametrize(("more", "code"), [(b"", DONE), (b"!", FOUND)])
def test_a_signature_is_held_against_the_makers_key(
    bench: WorkBench, more: bytes, code: int
) -> None:
    private = Ed25519PrivateKey.generate()
    key, signature = bench.folder / "key.pem", bench.folder / "sig"
    key.write_bytes(
        private.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    )
    signature.write_bytes(private.sign((bench.folder / NAME).read_bytes() + more))
    words = ("--signature", str(signature), "--key", str(key))
    row = checked(bench, str(bench.folder / NAME), *words, code=code)
    assert row["signature"] == ("good" if code == DONE else "bad")


def test_a_signature_without_a_key_is_refused_with_how_to_name_it(bench: WorkBench) -> None:
    words = ("--signature", str(bench.folder / NAME))
    result = bench.run("package", "check", str(bench.folder / NAME), *words, *WHO)
    assert (result.exit_code, "--key PEM" in result.output) == (BAD_INPUT, True)


def test_a_person_reads_what_came_of_it(bench: WorkBench) -> None:
    said = bench.run("package", "check", str(bench.folder / NAME), "--parts", *WHO).stdout
    assert f"{NAME}: larch 5.1 SP2 HF3; nothing speaks against it" in said
    assert "larch/main.bin" in said


def test_packages_of_the_list_are_listed_with_their_last_check(bench: WorkBench) -> None:
    assert [row["checked"] for row in bench.json("package", "list")] == [None]
    checked(bench, str(bench.folder / NAME))
    assert "by Ada Quill" in bench.run("package", "list").stdout


def test_an_altered_file_under_that_name_is_told_beside_it(bench: WorkBench) -> None:
    checked(bench, str(bench.folder / NAME))
    with (bench.folder / NAME).open("ab") as file:
        file.write(b"x")
    checked(bench, str(bench.folder / NAME), code=FOUND)
    told = bench.run("package", "list").stdout
    assert ("passed" in told, "another file of this name" in told) == (True, True)
