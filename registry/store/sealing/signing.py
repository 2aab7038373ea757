"""Ed25519 (RFC 8032) by the cryptography library; public keys as PEM (RFC 8410)."""

from __future__ import annotations

import hashlib

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    PublicFormat,
    load_pem_public_key,
)


def sign(key: bytes, message: bytes) -> bytes:
    """Return the 64 byte signature of a message under a 32 byte private key."""
    return Ed25519PrivateKey.from_private_bytes(key).sign(message)


def public_of(key: bytes) -> bytes:
    """Return the 32 byte public key of a private one."""
    made = Ed25519PrivateKey.from_private_bytes(key).public_key()
    return made.public_bytes(Encoding.Raw, PublicFormat.Raw)


def is_signed(public: bytes, signature: bytes, message: bytes) -> bool:
    """Return whether a signature is that of this public key's holder over this message."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def as_pem(public: bytes) -> str:
    """Return a public key as other programs take it."""
    key = Ed25519PublicKey.from_public_bytes(public)
    return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode()


def read_pem(text: bytes) -> bytes:
    """Return the 32 bytes of a PEM public key; ValueError where it is no Ed25519 key."""
    try:
        found = load_pem_public_key(text)
    except Exception as error:  # the library raises several kinds, by what is broken
        raise ValueError("it is no public key in PEM") from error
    if not isinstance(found, Ed25519PublicKey):
        raise ValueError("it is a key of another kind, not Ed25519")  # noqa: TRY004 - a wrong input
    return found.public_bytes(Encoding.Raw, PublicFormat.Raw)


def fingerprint(public: bytes) -> str:
    """Return SHA-256 of a public key, by which two people compare it aloud."""
    return hashlib.sha256(public).hexdigest()
