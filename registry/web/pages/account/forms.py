"""The fields of signing in and of a first password."""

from __future__ import annotations

from urllib.parse import urlsplit

from registry.domain.passwords import LONGEST, SHORTEST
from registry.domain.problems import BadInputError, Fault
from registry.web.fields import Field

PASSWORD_RULES = (
    f"At least {SHORTEST} characters, at most {LONGEST}; a few words in a row are easy to keep.",
    "Any characters, spaces too. No mixture of kinds is asked for, and it never runs out.",
    "Not the account's name, the unit's name or words that everybody uses.",
    "Pasting is welcome, and so is a password manager.",
)


def sign_in_fields(name: str = "") -> list[Field]:
    """Return the fields of the sign-in form, the name as it was typed."""
    return [
        Field("name", "Account name", value=name, autocomplete="username"),
        Field("password", "Password", kind="password", autocomplete="current-password"),
    ]


def first_password_fields(error: str = "") -> list[Field]:
    """Return the fields of a first password, typed twice."""
    return [
        Field(
            "password",
            "New password",
            kind="password",
            error=error,
            autocomplete="new-password",
        ),
        Field("again", "The same again", kind="password", autocomplete="new-password"),
    ]


def other_password_fields(old_error: str = "", new_error: str = "") -> list[Field]:
    """Return the fields of another password: the one until now, and the new one twice."""
    now_held = Field(
        "old",
        "Password until now",
        kind="password",
        error=old_error,
        autocomplete="current-password",
    )
    return [now_held, *first_password_fields(new_error)]


def require_alike(password: str, again: str) -> None:
    """Refuse a new password whose two entries differ."""
    if password != again:
        raise BadInputError(Fault("the two entries differ", "password", "give the same twice"))


def page_to_return_to(asked: str) -> str | None:
    """Return the ledger's own page that was asked for before signing in, or None.

    Only a path of this site: anything that a browser could take for another host is dropped.
    """
    parts = urlsplit(asked)
    is_local = not parts.scheme and not parts.netloc and asked.startswith("/")
    is_plain = "\\" not in asked and not asked.startswith("//") and asked.isprintable()
    return asked if is_local and is_plain else None
