"""Identifiers under encryption, and the hashes by which they are found again."""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from registry.domain.problems import FailureError

_NONCE_BYTES = 12


def reference_hash(key: bytes, kind: str, value: str) -> str:
    """Return the keyed hash under which an identifier is found again.

    Parameters
    ----------
    key : the ledger's key of references
    kind : what the value is, so that equal texts of two kinds differ
    value : the identifier, white space at its ends ignored
    """
    return hmac.new(key, f"{kind}|{value.strip()}".encode(), hashlib.sha256).hexdigest()


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
