"""The accounts that a viewer may look at, with their roles and what they can do now."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.domain.problems import NotFoundError
from registry.store.models.people import Account, AccountRole, Person, SignedIn
from registry.store.visible import visible_accounts

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


class AccountState(StrEnum):
    """What an account can do now."""

    ACTIVE = "can sign in"
    INVITED = "invited, no password yet"
    EXPIRED = "invitation too old"
    DISABLED = "disabled"
    SHELL = "the shell's own, cannot sign in"


@dataclass(frozen=True)
class ListedAccount:
    """One account of the list.

    Attributes
    ----------
    account_id : its number
    name : of the account
    person : whose it is, None where it belongs to nobody
    roles : alphabetical
    state : what it can do now
    invited_until : while an invitation is open
    """

    account_id: int
    name: str
    person: str | None
    roles: tuple[str, ...]
    state: AccountState
    invited_until: datetime | None

    @property
    def is_disabled(self) -> bool:
        """Whether it was disabled."""
        return self.state is AccountState.DISABLED

    @property
    def is_shells(self) -> bool:
        """Whether it is the shell's own."""
        return self.state is AccountState.SHELL


@dataclass(frozen=True)
class ListedSession:
    """One session of an account that has not ended.

    Attributes
    ----------
    number : under which it is ended; None where it began before sessions had numbers
    began_at, seen_at : aware instants
    agent : the browser in a few words
    is_this_one : whether it is the one that asks
    """

    number: int | None
    began_at: datetime
    seen_at: datetime
    agent: str
    is_this_one: bool


@dataclass(frozen=True)
class SessionsAsked:
    """Which sessions are asked for, and what holds of one that has not ended."""

    account_id: int
    now: datetime
    idle_since: datetime
    own_digest: str = ""


def open_sessions(session: Session, viewer: Viewer, asked: SessionsAsked) -> list[ListedSession]:
    """Return the sessions of an account that the viewer may look at, the latest seen first."""
    seen = visible_accounts(viewer).with_only_columns(Account.id)
    found = session.execute(
        select(SignedIn)
        .where(
            SignedIn.account_id == asked.account_id,
            SignedIn.account_id.in_(seen),
            SignedIn.expires_at > asked.now,
            SignedIn.seen_at >= asked.idle_since,
        )
        .order_by(SignedIn.seen_at.desc(), SignedIn.started_at.desc())
    ).scalars()
    return [
        ListedSession(
            row.number,
            row.started_at,
            row.seen_at,
            row.agent or "",
            row.token_digest == asked.own_digest,
        )
        for row in found
    ]


def listed_account(
    session: Session, viewer: Viewer, account_id: int, now: datetime
) -> ListedAccount:
    """Return one account that the viewer may look at; NotFoundError where they may not."""
    for account in listed_accounts(session, viewer, now):
        if account.account_id == account_id:
            return account
    raise NotFoundError("there is no account with this number")


def listed_accounts(session: Session, viewer: Viewer, now: datetime) -> list[ListedAccount]:
    """Return the accounts that the viewer may look at, by name."""
    roles: dict[int, list[str]] = defaultdict(list)
    for row in session.execute(
        select(AccountRole.account_id, AccountRole.role).where(AccountRole.taken_at.is_(None))
    ):
        roles[row[0]].append(row[1])
    persons = {row[0]: row[1] for row in session.execute(select(Person.id, Person.name))}
    found = []
    for account in session.execute(visible_accounts(viewer)).scalars():
        state = _state(account, now)
        found.append(
            ListedAccount(
                account_id=account.id,
                name=account.name,
                person=None if account.person_id is None else persons[account.person_id],
                roles=tuple(sorted(roles[account.id])),
                state=state,
                invited_until=(
                    account.invitation_expires_at if state is AccountState.INVITED else None
                ),
            )
        )
    return sorted(found, key=lambda account: account.name.casefold())


def _state(account: Account, now: datetime) -> AccountState:
    if account.is_local_operator:
        return AccountState.SHELL
    if account.is_disabled:
        return AccountState.DISABLED
    if account.password_hash is not None:
        return AccountState.ACTIVE
    until = account.invitation_expires_at
    return AccountState.INVITED if until is not None and until > now else AccountState.EXPIRED
