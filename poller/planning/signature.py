"""Detached signatures: of a package, by its maker's public key; of evidence, by a key of ours.

Ed25519 (RFC 8032), or RSA with SHA-256, padded as PKCS #1 v1.5 or PSS (RFC 8017).
"""

from __future__ import annotations

import base64
import binascii
from typing import Final, TypeAlias

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import padding
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey
from cryptography.hazmat.primitives.asymmetric.utils import Prehashed

from poller.model import limits
from poller.model.refusal import Refusal

PublicKey: TypeAlias = Ed25519PublicKey | RSAPublicKey
DIGEST: Final = hashes.SHA256()
PKCS1V15: Final = padding.PKCS1v15()
PSS: Final = padding.PSS(mgf=padding.MGF1(DIGEST), salt_length=padding.PSS.AUTO)


def public_key(pem: bytes) -> PublicKey:
    """Raises Refusal for what is no such key."""
    if b"PRIVATE KEY" in pem:
        raise Refusal("it holds a private key; whoever made it must not give that away")
    try:
        key = serialization.load_pem_public_key(pem)
    except (ValueError, UnsupportedAlgorithm) as reason:
        raise Refusal("it is no public key as PEM text") from reason
    if isinstance(key, RSAPublicKey) and key.key_size < limits.RSA_BITS_MIN:
        raise Refusal(f"an RSA key of {key.key_size} bits; at least {limits.RSA_BITS_MIN} are safe")
    if not isinstance(key, Ed25519PublicKey | RSAPublicKey):
        raise Refusal("a key of a kind that is not read; Ed25519 and RSA are")
    return key


def private_key(pem: bytes) -> Ed25519PrivateKey:
    """To sign with. Raises Refusal for what is no such key."""
    try:
        key = serialization.load_pem_private_key(pem, password=None)
    except TypeError as reason:  # a passphrase was asked for
        raise Refusal("it is under a passphrase, and nobody is asked for one here") from reason
    except (ValueError, UnsupportedAlgorithm) as reason:
        raise Refusal("it is no private key as PEM text") from reason
    if not isinstance(key, Ed25519PrivateKey):
        raise Refusal(
            "a key of another kind; make one with: openssl genpkey -algorithm ed25519 -out KEY"
        )
    return key


def is_good(key: PublicKey, signature: bytes, sha256: bytes, data: bytes | None) -> bool:
    """sha256: digest of the package; data: all of it, which Ed25519 needs. signature: or base64."""
    return any(_good(key, one, sha256, data) for one in _spellings(signature))


def _spellings(signature: bytes) -> list[bytes]:
    try:
        return [signature, base64.b64decode(b"".join(signature.split()), validate=True)]
    except (binascii.Error, ValueError):
        return [signature]


def _good(key: PublicKey, signature: bytes, sha256: bytes, data: bytes | None) -> bool:
    if isinstance(key, Ed25519PublicKey):
        assert data is not None, "Ed25519 signs the whole file"
        try:
            key.verify(signature, data)
        except InvalidSignature:
            return False
        return True
    return any(_rsa_good(key, signature, sha256, how) for how in (PKCS1V15, PSS))


def _rsa_good(
    key: RSAPublicKey, signature: bytes, sha256: bytes, how: padding.PKCS1v15 | padding.PSS
) -> bool:
    try:
        key.verify(signature, sha256, how, Prehashed(DIGEST))
    except InvalidSignature:
        return False
    return True
