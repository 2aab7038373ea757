"""Who is who: persons by the names they go by, accounts by theirs."""

from __future__ import annotations

import hashlib
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import delete, func, select

from registry.domain.access import Role, Viewer
from registry.domain.words import folded
from registry.store.models.people import (
    Account,
    AccountRole,
    Person,
    PersonAlias,
    SignedIn,
    SignInFailure,
)

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from sqlalchemy.orm import Session


@dataclass(frozen=True)
class SignIn:
    """What signing in needs to know of an account; the hash never leaves the server."""

    viewer: Viewer
    password_hash: str | None
    is_disabled: bool


def person_ids(session: Session, names: Iterable[str]) -> dict[str, int]:
    """Return the person behind each name that is known, by its folded form.

    Naming a person in a table needs no right to see rates: the table already holds the name.
    """
    wanted = {folded(name) for name in names}
    known = {
        row.folded: row.person_id
        for row in session.execute(select(PersonAlias.folded, PersonAlias.person_id))
    }
    return {name: known[name] for name in wanted if name in known}


def viewer_named(session: Session, name: str) -> Viewer | None:
    """Return the account with this name, or None."""
    account = session.execute(select(Account).where(Account.name == name)).scalar_one_or_none()
    return None if account is None or account.is_disabled else _viewer(session, account)


def local_operator(session: Session) -> Viewer | None:
    """Return the shell's own account."""
    account = (
        session.execute(select(Account).where(Account.is_local_operator).order_by(Account.id))
        .scalars()
        .first()
    )
    return None if account is None else _viewer(session, account)


def _viewer(session: Session, account: Account) -> Viewer:
    roles = session.execute(
        select(AccountRole.role).where(AccountRole.account_id == account.id)
    ).scalars()
    return Viewer(
        account.id,
        account.name,
        account.person_id,
        frozenset(Role(role) for role in roles),
        is_local_operator=account.is_local_operator,
    )


def sign_in_named(session: Session, name: str) -> SignIn | None:
    """Return what signing in needs of the account with this name, any case; None without one."""
    account = _account_named(session, name)
    if account is None or account.is_local_operator:
        return None
    return SignIn(_viewer(session, account), account.password_hash, account.is_disabled)


def account_named(session: Session, name: str) -> Viewer | None:
    """Return the account with this name, any case, whatever its state; None without one."""
    account = _account_named(session, name)
    return None if account is None else _viewer(session, account)


def is_waiting(
    session: Session, viewer: Viewer, person_id: int | None, roles: Iterable[Role]
) -> bool:
    """Return whether an account is this person's, has these roles and no password yet."""
    account = session.get_one(Account, viewer.account_id)
    return (
        account.password_hash is None
        and not account.is_disabled
        and not account.is_local_operator
        and viewer.person_id == person_id
        and viewer.roles == frozenset(roles)
    )


def _account_named(session: Session, name: str) -> Account | None:
    # Compared here, because SQLite's own lower() knows no letter beyond a to z.
    wanted = _name_key(name)
    accounts = session.execute(select(Account).order_by(Account.id)).scalars()
    return next((account for account in accounts if _name_key(account.name) == wanted), None)


def _name_key(name: str) -> str:
    """Return the form in which two spellings of an account's name are equal."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def invited(session: Session, invitation_digest: str, now: datetime) -> Viewer | None:
    """Return the account that an unused invitation belongs to, or None."""
    account = session.execute(
        select(Account).where(Account.invitation_digest == invitation_digest)
    ).scalar_one_or_none()
    if account is None or account.is_disabled or account.invitation_expires_at is None:
        return None
    return _viewer(session, account) if account.invitation_expires_at > now else None


@dataclass(frozen=True)
class OpenSession:
    """A session that has not ended, and when its last request was noted."""

    viewer: Viewer
    seen_at: datetime


def signed_in(
    session: Session, token_digest: str, now: datetime, idle_since: datetime
) -> OpenSession | None:
    """Return whose session a token is, or None where there is none or it has ended."""
    row = session.get(SignedIn, token_digest)
    if row is None:
        return None
    account = session.get(Account, row.account_id)
    if row.expires_at <= now or row.seen_at < idle_since or account is None or account.is_disabled:
        return None
    return OpenSession(_viewer(session, account), row.seen_at)


def note_seen(session: Session, token_digest: str, now: datetime, *, is_over: bool) -> None:
    """Note a session's request, or forget a session that is over."""
    row = session.get(SignedIn, token_digest)
    if row is None:
        return
    if is_over:
        session.delete(row)
    else:
        row.seen_at = now


def start_session(
    session: Session, token_digest: str, account_id: int, now: datetime, expires_at: datetime
) -> None:
    """Keep a new session by its token's digest, and drop those that have expired."""
    session.execute(delete(SignedIn).where(SignedIn.expires_at <= now))
    session.add(
        SignedIn(
            token_digest=token_digest,
            account_id=account_id,
            started_at=now,
            seen_at=now,
            expires_at=expires_at,
        )
    )


def end_session(session: Session, token_digest: str) -> None:
    """Forget a session."""
    session.execute(delete(SignedIn).where(SignedIn.token_digest == token_digest))


def end_sessions_of(session: Session, account_id: int) -> None:
    """Forget every session of an account."""
    session.execute(delete(SignedIn).where(SignedIn.account_id == account_id))


def failures_since(session: Session, name: str, since: datetime) -> int:
    """Return how often signing in under a name has failed lately; older failures are forgotten."""
    session.execute(delete(SignInFailure).where(SignInFailure.at < since))
    wanted = SignInFailure.name == _failure_key(name)
    return session.execute(
        select(func.count()).select_from(SignInFailure).where(wanted)
    ).scalar_one()


def note_failure(session: Session, name: str, now: datetime) -> int:
    """Count a failed sign-in against the name that was tried; return the row's id."""
    row = SignInFailure(name=_failure_key(name), at=now)
    session.add(row)
    session.flush()
    return row.id


def forget_failure(session: Session, row_id: int) -> None:
    """Take back one failure, of a try that did not fail after all."""
    session.execute(delete(SignInFailure).where(SignInFailure.id == row_id))


def _failure_key(name: str) -> str:
    """Return the key under which tries at a name are counted; as typed, it may be a password."""
    raw = _name_key(name).encode("utf-8", "surrogatepass")
    return hashlib.sha256(raw).hexdigest()


def all_person_names(session: Session) -> dict[int, str]:
    """Return every person's name, for who decides what is shown of it."""
    return {row[0]: row[1] for row in session.execute(select(Person.id, Person.name))}


def person_name(session: Session, viewer: Viewer) -> str:
    """Return the viewer's own name, or the account's where it belongs to nobody."""
    person = None if viewer.person_id is None else session.get(Person, viewer.person_id)
    return viewer.name if person is None else person.name
