"""Identifiers under encryption, and the hashes by which they are found again."""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
import uuid

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from registry.domain.problems import FailureError

_NONCE_BYTES = 12
_MOST_DAYS_BACK = 3652


def reference_hash(key: bytes, kind: str, value: str) -> str:
    """Return the keyed hash under which an identifier is found again.

    Parameters
    ----------
    key : the ledger's key of references
    kind : what the value is, so that equal texts of two kinds differ
    value : the identifier, white space at its ends ignored
    """
    return hmac.new(key, f"{kind}|{value.strip()}".encode(), hashlib.sha256).hexdigest()


def derived_uid(key: bytes, kind: str, value: str) -> str:
    """Return a DICOM identifier that the same value always gives, and only this ledger.

    The first 128 bits of the keyed hash as a UUID under 2.25 (PS3.5 section B.2), at most 44
    characters. A plain hash could be guessed by whoever holds the archive.
    """
    digest = bytes.fromhex(reference_hash(key, f"DICOM identifier of {kind}", value))
    return f"2.25.{uuid.UUID(bytes=digest[:16], version=5).int}"


def days_back(key: bytes, pseudonym: str) -> int:
    """Return by how many whole days a patient's days are moved back under the pseudonym.

    One offset a patient, 1 to 3652: the days between operation and scan stay as they are.
    """
    digest = reference_hash(key, "days moved back", pseudonym)
    return 1 + int(digest[:16], 16) % _MOST_DAYS_BACK


def seal(key: bytes, text: str, bound_to: str) -> str:
    """Return `text` encrypted (AES-256-GCM), bound to the record that it belongs to."""
    nonce = secrets.token_bytes(_NONCE_BYTES)
    sealed = AESGCM(key).encrypt(nonce, text.encode(), bound_to.encode())
    return base64.b64encode(nonce + sealed).decode()


def unseal(key: bytes, sealed: str, bound_to: str) -> str:
    """Return the text; FailureError where the key or the record is another."""
    raw = base64.b64decode(sealed)
    try:
        opened = AESGCM(key).decrypt(raw[:_NONCE_BYTES], raw[_NONCE_BYTES:], bound_to.encode())
    except InvalidTag:
        raise FailureError(
            "a vault entry does not open with this patient's key; it was changed, or the keys "
            "folder belongs to another ledger"
        ) from None
    return opened.decode()
