"""What a password must be: NIST SP 800-63B-4, section 3.1.1.2 (a password as the only factor)."""

from __future__ import annotations

import unicodedata

SHORTEST = 15
LONGEST = 256
_FEWEST_DIFFERENT = 6

# Common passwords of 15 characters or more, and words of this trade; from memory.
_BLOCKED = (
    "passwordpassword",
    "password12345678",
    "qwertyuiopasdfgh",
    "123456789012345",
    "1q2w3e4r5t6y7u8i",
    "correcthorsebatterystaple",
    "pedicleledger",
    "pediclescrew",
)


def prepared(password: str) -> str:
    """Return the form that is hashed: NFKC, so that one password is one string."""
    return unicodedata.normalize("NFKC", password)


def check_password(password: str, account_name: str, unit_name: str) -> str:
    """Return why a password is refused, or ''.

    Parameters
    ----------
    password : as typed; its code points are counted after NFKC
    account_name, unit_name : words that may not make up the password
    """
    text = prepared(password)
    if len(text) < SHORTEST:
        return f"use {SHORTEST} characters or more; a few words in a row are easy to keep"
    if len(text) > LONGEST:
        return f"use at most {LONGEST} characters"
    bare = "".join(sign for sign in text.casefold() if sign.isalnum())
    if len(set(text.casefold())) < _FEWEST_DIFFERENT:
        return "too few different characters; it would be guessed at once"
    words = (*_BLOCKED, account_name, unit_name)
    blocked = {"".join(sign for sign in word.casefold() if sign.isalnum()) for word in words}
    left = bare
    for word in sorted(blocked, key=len, reverse=True):
        if len(word) > 3:  # noqa: PLR2004 - shorter words say nothing
            left = left.replace(word, "")
    if len(left) < len(bare) and len(left) < SHORTEST // 2:
        return "made of common words, the account's name or the unit's; choose other words"
    return ""
