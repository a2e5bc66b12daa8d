"""Detached signatures: made by OpenSSL's command line, checked here; and what is no key."""

from __future__ import annotations

import base64
import hashlib
import subprocess
from pathlib import Path

import pytest

from poller.model.refusal import Refusal
from poller.planning.signature import is_good, private_key, public_key

DATA = b"an invented package"
DIGEST = hashlib.sha256(DATA).digest()
KINDS: dict[str, tuple[list[str], list[str]]] = {
    # how the key is made; how the file is signed
    "Ed25519": (["-algorithm", "ed25519"], ["pkeyutl", "-sign", "-rawin", "-in"]),
    "RSA, PKCS #1 v1.5": (["-algorithm", "RSA"], ["dgst", "-sha256"]),
    "RSA, PSS": (
        ["-algorithm", "RSA"],
        ["dgst", "-sha256", "-sigopt", "rsa_padding_mode:pss", "-sigopt", "rsa_pss_saltlen:-1"],
    ),
}


def openssl(*words: str) -> None:
    subprocess.run(["openssl", *words], check=True, capture_output=True)


def signed(folder: Path, kind: str) -> tuple[bytes, bytes]:
    """The public key as PEM, and the signature."""
    made, how = KINDS[kind]
    package, private, public = folder / "p", folder / "k", folder / "pub"
    package.write_bytes(DATA)
    openssl("genpkey", *made, "-out", str(private))
    openssl("pkey", "-in", str(private), "-pubout", "-out", str(public))
    out = folder / "sig"
    if how[0] == "pkeyutl":
        openssl(*how, str(package), "-inkey", str(private), "-out", str(out))
    else:
        openssl(*how, "-sign", str(private), "-out", str(out), str(package))
    return public.read_bytes(), out.read_bytes()


@pytest.mark.parametrize("kind", KINDS)
def test_what_openssl_signed_is_good_and_of_other_octets_is_not(kind: str, tmp_path: Path) -> None:
    pem, signature = signed(tmp_path, kind)
    key = public_key(pem)
    assert is_good(key, signature, DIGEST, DATA)
    assert is_good(key, base64.encodebytes(signature), DIGEST, DATA)
    other = DATA + b"!"
    assert not is_good(key, signature, hashlib.sha256(other).digest(), other)


def test_a_signature_of_another_key_is_not_good(tmp_path: Path) -> None:
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
    pem, _ = signed(tmp_path / "one", "Ed25519")
    _, signature = signed(tmp_path / "other", "Ed25519")
    assert not is_good(public_key(pem), signature, DIGEST, DATA)


def made(folder: Path, *words: str, public: bool = True) -> bytes:
    private, out = folder / "k", folder / "pub"
    openssl("genpkey", *words, "-out", str(private))
    openssl("pkey", "-in", str(private), "-pubout", "-out", str(out))
    return (out if public else private).read_bytes()


def test_keys_that_prove_nothing_are_refused(tmp_path: Path) -> None:
    weak = made(tmp_path, "-algorithm", "RSA", "-pkeyopt", "rsa_keygen_bits:1024")
    curve = made(tmp_path, "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256")
    private = made(tmp_path, "-algorithm", "ed25519", public=False)
    said = []
    for pem in (weak, curve, private, b"not a key"):
        with pytest.raises(Refusal) as reason:
            public_key(pem)
        said.append(str(reason.value).split(";")[0])
    assert said == [
        "an RSA key of 1024 bits",
        "a key of a kind that is not read",
        "it holds a private key",
        "it is no public key as PEM text",
    ]


# what is no key to sign evidence with | of the refusal
NO_SIGNER = {
    "RSA": (["-algorithm", "RSA"], "a key of another kind"),
    "under a passphrase": (["-algorithm", "ed25519", "-aes256", "-pass", "pass:x"], "passphrase"),
}


@pytest.mark.parametrize("case", NO_SIGNER)
def test_what_can_not_sign_evidence(case: str, tmp_path: Path) -> None:
    made, says = NO_SIGNER[case]
    openssl("genpkey", *made, "-out", str(tmp_path / "k"))
    with pytest.raises(Refusal, match=says):
        private_key((tmp_path / "k").read_bytes())
