"""Accounts: invite, use the invitation, sign in and out."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error

from registry.actions.persons import add_person
from registry.domain.access import Deed, Reach, require
from registry.domain.passwords import check_password, prepared
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    Fault,
    NotAllowedError,
    NotFoundError,
)
from registry.store.models.people import Account, AccountRole
from registry.store.queries import people

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from registry.domain.access import Role, Viewer
    from registry.store.home import Ledger
    from registry.store.writing import Writing

INVITATION_DAYS = 7
FAILURES_ALLOWED = 10
FAILURE_WINDOW = timedelta(minutes=15)
SEEN_EVERY = timedelta(minutes=1)
_HASHER = PasswordHasher()
_TOKEN_BYTES = 32
_LONGEST_NAME = 100


def invite(
    ledger: Ledger,
    viewer: Viewer,
    name: str,
    roles: Iterable[Role],
    *,
    person: str | None,
    now: datetime,
    new_person: bool = False,
) -> str:
    """Make an account and return the token of its one-time invitation.

    `new_person` adds the person where nobody is known by that name.

    One that was invited and never set a password, the same in all else, is invited again; the
    earlier invitation is then void.
    """
    require(viewer, Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
    name = " ".join(name.split())
    if not name or len(name) > _LONGEST_NAME or not name.isprintable():
        raise BadInputError(Fault("an account needs a name of 1 to 100 characters", "NAME"))
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    with ledger.writing(viewer, now) as work:
        invitation: dict[str, Any] = {
            "invitation_digest": _digest(ledger, token),
            "invitation_expires_at": now + timedelta(days=INVITATION_DAYS),
        }
        person_id = None
        if person is not None:
            person_id = _person(work, person, may_be_new=new_person)
        there = people.account_named(work.session, name)
        if there is not None:
            if not people.is_waiting(work.session, there, person_id, roles):
                raise ConflictError(Fault(f"there is an account {name!r} already", "NAME"))
            work.update(Account, "invite again", there.account_id, **invitation)
            return token
        account_id = work.insert(
            Account,
            "invite",
            name=name,
            person_id=person_id,
            is_local_operator=False,
            is_disabled=False,
            **invitation,
        )
        for role in sorted(set(roles)):
            work.insert(AccountRole, "give a role", account_id=account_id, role=role.value)
    return token


def _person(work: Writing, name: str, *, may_be_new: bool) -> int:
    known = people.person_ids(work.session, [name])
    if known:
        return next(iter(known.values()))
    if may_be_new:
        return add_person(work, name)
    raise BadInputError(
        Fault(
            f"nobody is known as {name!r}",
            "--person",
            "correct the name, or use --new-person to add them",
        )
    )


def invite_again(ledger: Ledger, viewer: Viewer, name: str, *, now: datetime) -> str:
    """Return the token of a new one-time link to an account, for who has lost their password.

    The old password goes on until the link is used; an earlier link is void.
    """
    require(viewer, Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    with ledger.writing(viewer, now) as work:
        there = people.account_named(work.session, name)
        if there is None or there.is_local_operator:
            raise NotFoundError(f"there is no account {name!r}; see `account add`")
        work.update(
            Account,
            "invite again",
            there.account_id,
            invitation_digest=_digest(ledger, token),
            invitation_expires_at=now + timedelta(days=INVITATION_DAYS),
        )
    return token


def invited_name(ledger: Ledger, token: str, now: datetime) -> str | None:
    """Return the account that an invitation is for, or None where it is used up or too old."""
    with ledger.reading() as session:
        viewer = people.invited(session, _digest(ledger, token), now)
    return None if viewer is None else viewer.name


def accept_invitation(ledger: Ledger, token: str, password: str, now: datetime) -> None:
    """Set the password of an invited account; the invitation is then used up."""
    with ledger.reading() as session:
        viewer = people.invited(session, _digest(ledger, token), now)
    if viewer is None:
        raise NotAllowedError("this invitation is used up or too old; ask the steward for another")
    fault = check_password(password, viewer.name, ledger.settings.unit_name)
    if fault:
        raise BadInputError(Fault(fault, "password"))
    hashed = _HASHER.hash(prepared(password))
    with ledger.writing(viewer, now) as work:
        if people.invited(work.session, _digest(ledger, token), now) is None:
            raise NotAllowedError("this invitation has been used just now")
        work.update(
            Account,
            "set a password",
            viewer.account_id,
            password_hash=hashed,
            invitation_digest=None,
            invitation_expires_at=None,
        )
        people.end_sessions_of(work.session, viewer.account_id)


def sign_in(ledger: Ledger, name: str, password: str, now: datetime) -> str:
    """Return the token of a new session; NotAllowedError in the same words whatever was wrong."""
    with ledger.untracked() as session:
        # Counted before the password is looked at, so that many tries at once count too.
        attempt = people.note_failure(session, name, now)
    with ledger.untracked() as session:
        tries = people.failures_since(session, name, now - FAILURE_WINDOW)
        if tries > FAILURES_ALLOWED:
            people.forget_failure(session, attempt)
        found = people.sign_in_named(session, name)
    if tries > FAILURES_ALLOWED:
        raise NotAllowedError("too many failed sign-ins under this name; wait a quarter of an hour")
    stored = found.password_hash if found and not found.is_disabled else None
    is_right = _matches(stored or _NOBODY, password)
    if found is None or stored is None or not is_right:
        raise NotAllowedError("name or password is not right")
    # Bound to its account: a session's row that is turned to another account is void.
    token = f"{found.viewer.account_id}.{secrets.token_urlsafe(_TOKEN_BYTES)}"
    with ledger.untracked() as session:
        people.forget_failure(session, attempt)
        people.start_session(
            session,
            _digest(ledger, token),
            found.viewer.account_id,
            now,
            now + timedelta(hours=ledger.settings.session_hours),
        )
    return token


def viewer_of(ledger: Ledger, token: str, now: datetime) -> Viewer | None:
    """Return who is signed in with a session's token, or None."""
    idle = now - timedelta(minutes=ledger.settings.session_idle_minutes)
    with ledger.reading() as session:
        found = people.signed_in(session, _digest(ledger, token), now, idle)
    if found is not None and not token.startswith(f"{found.viewer.account_id}."):
        return None
    if found is None or now - found.seen_at >= SEEN_EVERY:
        # Seldom, because a page would otherwise wait for whoever is loading a table.
        with ledger.untracked() as session:
            people.note_seen(session, _digest(ledger, token), now, is_over=found is None)
    return None if found is None else found.viewer


def sign_out(ledger: Ledger, token: str) -> None:
    """End a session."""
    with ledger.untracked() as session:
        people.end_session(session, _digest(ledger, token))


def acting(ledger: Ledger, name: str | None) -> Viewer:
    """Return the account a command acts for: the named one, else the shell's own."""
    with ledger.reading() as session:
        if name is None:
            viewer = people.local_operator(session)
        else:
            viewer = people.viewer_named(session, name)
    if viewer is None:
        raise BadInputError(Fault(f"there is no account {name!r}", "--as", "see `account add`"))
    return viewer


def _digest(ledger: Ledger, token: str) -> str:
    # Keyed, so that who can write to the database alone cannot make a token that works.
    said = f"token|{token}".encode("utf-8", "surrogatepass")
    return hmac.new(ledger.keys.cookies, said, hashlib.sha256).hexdigest()


def _matches(stored: str, password: str) -> bool:
    try:
        return _HASHER.verify(stored, prepared(password))
    except Argon2Error:
        return False


# Checked where there is no such account, so that a name cannot be found out by the time it takes.
_NOBODY = _HASHER.hash(secrets.token_hex())
