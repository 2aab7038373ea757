"""Sessions: begin, go on, list and end them, and ask for the password again within one."""

from __future__ import annotations

import secrets
from datetime import timedelta
from typing import TYPE_CHECKING

from registry.actions.accounts_secrets import hashed, matches, new_token, token_digest
from registry.actions.sessions_tries import (
    Origin,
    begin_try,
    confirmation_try,
    sign_in_try,
    take_back,
)
from registry.domain.passwords import check_password
from registry.domain.problems import BadInputError, Fault, NotAllowedError, NotFoundError
from registry.store.models.people import Account
from registry.store.queries import people

if TYPE_CHECKING:
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.people import OpenSession

SEEN_EVERY = timedelta(minutes=1)
_LARGEST_NUMBER = 2**31 - 1


def sign_in(
    ledger: Ledger, name: str, password: str, now: datetime, origin: Origin | None = None
) -> str:
    """Return the token of a new session; NotAllowedError in the same words whatever was wrong."""
    origin = origin or Origin()
    with ledger.reading() as session:
        found = people.sign_in_named(session, name)
    account_id = None if found is None else found.viewer.account_id
    attempt = begin_try(ledger, sign_in_try(ledger, name, account_id, origin), now)
    stored = found.password_hash if found and not found.is_disabled else None
    is_right = matches(stored, password)
    if found is None or not is_right:
        raise NotAllowedError("name or password is not right")
    token = _token_for(found.viewer.account_id)
    new = people.NewSession(
        token_digest=token_digest(ledger, token),
        number=1 + secrets.randbelow(_LARGEST_NUMBER),
        agent=origin.agent,
        began_at=now,
        confirmed_at=now,
        expires_at=now + timedelta(hours=ledger.settings.session_hours),
    )
    with ledger.untracked() as session:
        people.forget_failure(session, attempt)
        people.start_session(session, found.viewer.account_id, new)
    return token


def _token_for(account_id: int) -> str:
    # Bound to its account: a session's row that is turned to another account is void.
    return f"{account_id}.{new_token()}"


def account_of(token: str) -> int:
    """Return the account that a session's own token was made for."""
    return int(token.partition(".")[0])


def session_of(ledger: Ledger, token: str, now: datetime) -> OpenSession | None:
    """Return the session that a token opens, or None where it has ended or there is none."""
    idle = idle_since(ledger, now)
    with ledger.reading() as session:
        found = people.signed_in(session, token_digest(ledger, token), now, idle)
    if found is not None and not token.startswith(f"{found.viewer.account_id}."):
        return None
    if found is None or now - found.seen_at >= SEEN_EVERY:
        # Seldom, because a page would otherwise wait for whoever is loading a table.
        with ledger.untracked() as session:
            people.note_seen(session, token_digest(ledger, token), now, is_over=found is None)
    return found


def viewer_of(ledger: Ledger, token: str, now: datetime) -> Viewer | None:
    """Return who is signed in with a session's token, or None."""
    found = session_of(ledger, token, now)
    return None if found is None else found.viewer


def idle_since(ledger: Ledger, now: datetime) -> datetime:
    """Return the instant since when a session without a request is over."""
    return now - timedelta(minutes=ledger.settings.session_idle_minutes)


def sign_out(ledger: Ledger, token: str) -> None:
    """End a session."""
    with ledger.untracked() as session:
        people.end_session(session, token_digest(ledger, token))


def confirm(ledger: Ledger, token: str, password: str, now: datetime) -> str:
    """Return the session's new token once its password was entered again; the old one is void.

    NotAllowedError for a wrong password; too many of them end the session.
    """
    viewer = _whose(ledger, token, now)
    _require_password(ledger, viewer, token, password, now)
    return _turned(ledger, token, viewer, now)


def change_password(ledger: Ledger, token: str, old: str, new: str, now: datetime) -> str:
    """Set another password; return the session's new token. Every other session ends."""
    viewer = _whose(ledger, token, now)
    _require_password(ledger, viewer, token, old, now)
    fault = check_password(new, viewer.name, ledger.settings.unit_name)
    if fault:
        raise BadInputError(Fault(fault, "new password"))
    kept = hashed(new)
    with ledger.writing(viewer, now) as work:
        work.update(
            Account,
            "change the password",
            viewer.account_id,
            password_hash=kept,
            invitation_digest=None,
            invitation_expires_at=None,
        )
        people.end_sessions_of(work.session, viewer.account_id, but=token_digest(ledger, token))
    return _turned(ledger, token, viewer, now)


def end_own_session(ledger: Ledger, viewer: Viewer, number: int) -> None:
    """End one of the viewer's own sessions by its number."""
    with ledger.untracked() as session:
        ended = people.end_sessions_of(session, viewer.account_id, number=number)
    if not ended:
        raise NotFoundError("that session has ended already, or is none of yours")


def end_other_sessions(ledger: Ledger, viewer: Viewer, token: str) -> int:
    """End the viewer's sessions but the one with this token; return how many there were."""
    with ledger.untracked() as session:
        return people.end_sessions_of(session, viewer.account_id, but=token_digest(ledger, token))


def _whose(ledger: Ledger, token: str, now: datetime) -> Viewer:
    viewer = viewer_of(ledger, token, now)
    if viewer is None:
        raise NotAllowedError("sign in first")
    return viewer


def _require_password(
    ledger: Ledger, viewer: Viewer, token: str, password: str, now: datetime
) -> None:
    try:
        attempt = begin_try(ledger, confirmation_try(viewer.account_id), now)
    except NotAllowedError:
        sign_out(ledger, token)
        raise
    with ledger.reading() as session:
        stored = people.password_hash_of(session, viewer.account_id)
    if not matches(stored, password):
        raise NotAllowedError("the password is not right")
    take_back(ledger, attempt)


def _turned(ledger: Ledger, token: str, viewer: Viewer, now: datetime) -> str:
    turned = _token_for(viewer.account_id)
    with ledger.untracked() as session:
        is_there = people.turn_session(
            session, token_digest(ledger, token), token_digest(ledger, turned), now
        )
    if not is_there:
        raise NotAllowedError("this session has just ended; sign in again")
    return turned
