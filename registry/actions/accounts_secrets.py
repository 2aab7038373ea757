"""What is kept of passwords and tokens: hashes that are slow, digests that are keyed."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from functools import cache
from typing import TYPE_CHECKING

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error

from registry.domain.passwords import prepared

if TYPE_CHECKING:
    from registry.store.home import Ledger

HASHER = PasswordHasher()
_TOKEN_BYTES = 32


@cache
def nobodys() -> str:
    """Return the hash that is checked where there is no such account.

    So a name cannot be found out by the time it takes. Whoever serves sign-ins asks for it first:
    making it takes as long as checking it.
    """
    return HASHER.hash(secrets.token_hex())


def new_token() -> str:
    """Return a token that nobody guesses: 256 bits."""
    return secrets.token_urlsafe(_TOKEN_BYTES)


def token_digest(ledger: Ledger, token: str) -> str:
    """Return what is kept of a token.

    Keyed, so that who can write to the database alone cannot make a token that works.
    """
    return keyed(ledger, "token", token)


def keyed(ledger: Ledger, use: str, text: str) -> str:
    """Return the keyed digest of a text for one use; the same text for another use has another."""
    said = f"{use}|{text}".encode("utf-8", "surrogatepass")
    return hmac.new(ledger.keys.cookies, said, hashlib.sha256).hexdigest()


def hashed(password: str) -> str:
    """Return what is kept of a password: Argon2id with its salt."""
    return HASHER.hash(prepared(password))


def matches(stored: str | None, password: str) -> bool:
    """Return whether a password is the one that was hashed; as slow where none was."""
    try:
        is_right = HASHER.verify(stored or nobodys(), prepared(password))
    except Argon2Error:
        return False
    return is_right and stored is not None
