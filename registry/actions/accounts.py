"""Accounts: invite, and use the invitation."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from registry.actions.accounts_secrets import hashed, new_token, token_digest
from registry.actions.persons import add_person
from registry.actions.sessions_tries import begin_try, invitation_try, take_back
from registry.domain.access import Deed, Reach, require
from registry.domain.passwords import check_password
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
USED_UP = "this invitation is used up or too old; ask the steward for another"
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
    token = new_token()
    with ledger.writing(viewer, now) as work:
        invitation: dict[str, Any] = {
            "invitation_digest": token_digest(ledger, token),
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


def invite_again(
    ledger: Ledger,
    viewer: Viewer,
    account: str | int,
    *,
    now: datetime,
    ends_password: bool = False,
    because: str = "",
) -> str:
    """Return the token of a new one-time link to an account, for who has lost their password.

    The old password goes on until the link is used, unless `ends_password`: others may know it, so
    that it and every session end at once. An earlier link is void.
    """
    require(viewer, Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
    token = new_token()
    with ledger.writing(viewer, now) as work:
        there = _account(work, account)
        if there is None or there.is_local_operator:
            raise NotFoundError(f"there is no account {account!r}; see `account add`")
        ended: dict[str, Any] = {"password_hash": None} if ends_password else {}
        work.update(
            Account,
            "end the password and invite again" if ends_password else "invite again",
            there.account_id,
            because=because,
            invitation_digest=token_digest(ledger, token),
            invitation_expires_at=now + timedelta(days=INVITATION_DAYS),
            **ended,
        )
        if ends_password:
            people.end_sessions_of(work.session, there.account_id)
    return token


def _account(work: Writing, account: str | int) -> Viewer | None:
    if isinstance(account, int):
        return people.account_numbered(work.session, account)
    return people.account_named(work.session, account)


def invited_name(ledger: Ledger, token: str, now: datetime, address: str = "") -> str | None:
    """Return the account that an invitation is for, or None where it is used up or too old.

    Every token that leads nowhere counts against the address that it came from.
    """
    attempt = begin_try(ledger, invitation_try(ledger, address), now)
    with ledger.reading() as session:
        viewer = people.invited(session, token_digest(ledger, token), now)
    if viewer is None:
        return None
    take_back(ledger, attempt)
    return viewer.name


def accept_invitation(ledger: Ledger, token: str, password: str, now: datetime) -> int:
    """Set an invited account's password; the invitation is then used up. Return whose it is."""
    with ledger.reading() as session:
        viewer = people.invited(session, token_digest(ledger, token), now)
    if viewer is None:
        raise NotAllowedError(USED_UP)
    fault = check_password(password, viewer.name, ledger.settings.unit_name)
    if fault:
        raise BadInputError(Fault(fault, "password"))
    kept = hashed(password)
    with ledger.writing(viewer, now) as work:
        if people.invited(work.session, token_digest(ledger, token), now) is None:
            raise NotAllowedError("this invitation has been used just now")
        work.update(
            Account,
            "set a password",
            viewer.account_id,
            password_hash=kept,
            invitation_digest=None,
            invitation_expires_at=None,
        )
        people.end_sessions_of(work.session, viewer.account_id)
    return viewer.account_id


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
