"""Who is who: persons by the names they go by, accounts by theirs."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import and_, bindparam, delete, func, select, update

from registry.domain.access import Role, Viewer
from registry.domain.tries import LONGEST_MEMORY
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
        select(AccountRole.role).where(
            AccountRole.account_id == account.id, AccountRole.taken_at.is_(None)
        )
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
    wanted = name_key(name)
    accounts = session.execute(select(Account).order_by(Account.id)).scalars()
    return next((account for account in accounts if name_key(account.name) == wanted), None)


def name_key(name: str) -> str:
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
    """A session that has not ended.

    Attributes
    ----------
    viewer : whose it is
    seen_at : when its last request was noted
    confirmed_at : when the password was last entered in it
    number : under which it is listed
    """

    viewer: Viewer
    seen_at: datetime
    confirmed_at: datetime
    number: int | None


@dataclass(frozen=True)
class NewSession:
    """What is kept of a session when it begins.

    Attributes
    ----------
    token_digest : keyed digest of its token
    number : under which it is listed; says nothing about the token
    agent : the browser in a few words
    began_at, confirmed_at, expires_at : aware instants
    """

    token_digest: str
    number: int
    agent: str
    began_at: datetime
    confirmed_at: datetime
    expires_at: datetime


# Asked by every request, so it is one question, prepared once.
_SIGNED_IN = (
    select(
        SignedIn.number,
        SignedIn.started_at,
        SignedIn.seen_at,
        SignedIn.confirmed_at,
        SignedIn.expires_at,
        SignedIn.account_id,
        Account.name,
        Account.person_id,
        Account.is_disabled,
        Account.is_local_operator,
        AccountRole.role,
    )
    .join(Account, Account.id == SignedIn.account_id)
    .outerjoin(
        AccountRole, and_(AccountRole.account_id == Account.id, AccountRole.taken_at.is_(None))
    )
    .where(SignedIn.token_digest == bindparam("token_digest"))
)


def signed_in(
    session: Session, token_digest: str, now: datetime, idle_since: datetime
) -> OpenSession | None:
    """Return whose session a token is, or None where there is none or it has ended."""
    rows = session.execute(_SIGNED_IN, {"token_digest": token_digest}).all()
    if not rows:
        return None
    row = rows[0]  # one for each role, else alike
    if row.expires_at <= now or row.seen_at < idle_since or row.is_disabled:
        return None
    roles = frozenset(Role(each.role) for each in rows if each.role is not None)
    viewer = Viewer(
        row.account_id, row.name, row.person_id, roles, is_local_operator=row.is_local_operator
    )
    return OpenSession(viewer, row.seen_at, row.confirmed_at or row.started_at, row.number)


def note_seen(session: Session, token_digest: str, now: datetime, *, is_over: bool) -> None:
    """Note a session's request, or forget a session that is over."""
    row = session.get(SignedIn, token_digest)
    if row is None:
        return
    if is_over:
        session.delete(row)
    else:
        row.seen_at = now


def start_session(session: Session, account_id: int, new: NewSession) -> None:
    """Keep a new session by its token's digest, and drop those that have expired."""
    session.execute(delete(SignedIn).where(SignedIn.expires_at <= new.began_at))
    session.add(
        SignedIn(
            token_digest=new.token_digest,
            account_id=account_id,
            started_at=new.began_at,
            seen_at=new.began_at,
            expires_at=new.expires_at,
            number=new.number,
            agent=new.agent,
            confirmed_at=new.confirmed_at,
        )
    )


def turn_session(
    session: Session, token_digest: str, new_digest: str, confirmed_at: datetime | None
) -> bool:
    """Let a session go on under another token; return whether it was there to go on."""
    changes: dict[str, object] = {"token_digest": new_digest}
    if confirmed_at is not None:
        changes["confirmed_at"] = confirmed_at
    found = session.execute(
        update(SignedIn).where(SignedIn.token_digest == token_digest).values(changes)
    )
    return bool(found.rowcount)  # type: ignore[attr-defined]


def end_session(session: Session, token_digest: str) -> None:
    """Forget a session."""
    session.execute(delete(SignedIn).where(SignedIn.token_digest == token_digest))


def end_sessions_of(
    session: Session, account_id: int, *, number: int | None = None, but: str | None = None
) -> int:
    """Forget an account's sessions: all, the numbered one, or all but one; return how many."""
    chosen = delete(SignedIn).where(SignedIn.account_id == account_id)
    if number is not None:
        chosen = chosen.where(SignedIn.number == number)
    if but is not None:
        chosen = chosen.where(SignedIn.token_digest != but)
    return int(session.execute(chosen).rowcount)  # type: ignore[attr-defined]


def note_failure(session: Session, key: str, address_hash: str | None, now: datetime) -> int:
    """Count a wrong try under a key, from an address; return the row's id."""
    session.execute(delete(SignInFailure).where(SignInFailure.at < now - LONGEST_MEMORY))
    row = SignInFailure(name=key, address_hash=address_hash, at=now)
    session.add(row)
    session.flush()
    return row.id


def other_failures(
    session: Session, row_id: int, *, key: str | None = None, address_hash: str | None = None
) -> list[datetime]:
    """Return when other tries under a key, from an address, or both, were wrong."""
    found = select(SignInFailure.at).where(SignInFailure.id != row_id)
    if key is not None:
        found = found.where(SignInFailure.name == key)
    if address_hash is not None:
        found = found.where(SignInFailure.address_hash == address_hash)
    return list(session.execute(found).scalars())


def forget_failure(session: Session, row_id: int) -> None:
    """Take back one failure, of a try that did not fail after all."""
    session.execute(delete(SignInFailure).where(SignInFailure.id == row_id))


def password_hash_of(session: Session, account_id: int) -> str | None:
    """Return what is kept of an account's password, for who has to enter it again."""
    return session.get_one(Account, account_id).password_hash


def account_numbered(session: Session, account_id: int) -> Viewer | None:
    """Return the account with this number, whatever its state; None without one."""
    account = session.get(Account, account_id)
    return None if account is None else _viewer(session, account)


def other_stewards(session: Session, account_id: int) -> int:
    """Return how many accounts but this one can sign in as a steward."""
    stewards = select(AccountRole.account_id).where(
        AccountRole.role == Role.STEWARD, AccountRole.taken_at.is_(None)
    )
    found = (
        select(func.count())
        .select_from(Account)
        .where(
            Account.id.in_(stewards),
            Account.id != account_id,
            Account.is_disabled.is_(False),
            Account.password_hash.is_not(None),
        )
    )
    return session.execute(found).scalar_one()


def role_row(session: Session, account_id: int, role: Role) -> int | None:
    """Return the row of a role that an account has or had, or None."""
    return session.execute(
        select(AccountRole.id).where(
            AccountRole.account_id == account_id, AccountRole.role == role.value
        )
    ).scalar_one_or_none()


def is_disabled(session: Session, account_id: int) -> bool:
    """Return whether an account is disabled."""
    return session.get_one(Account, account_id).is_disabled


def all_person_names(session: Session) -> dict[int, str]:
    """Return every person's name, for who decides what is shown of it."""
    return {row[0]: row[1] for row in session.execute(select(Person.id, Person.name))}


def person_name(session: Session, viewer: Viewer) -> str:
    """Return the viewer's own name, or the account's where it belongs to nobody."""
    person = None if viewer.person_id is None else session.get(Person, viewer.person_id)
    return viewer.name if person is None else person.name
