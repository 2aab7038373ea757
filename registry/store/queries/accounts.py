"""The accounts that a viewer may look at, with their roles and what they can do now."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.store.models.people import Account, AccountRole, Person
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
    name : of the account
    person : whose it is, None where it belongs to nobody
    roles : alphabetical
    state : what it can do now
    invited_until : while an invitation is open
    """

    name: str
    person: str | None
    roles: tuple[str, ...]
    state: AccountState
    invited_until: datetime | None


def listed_accounts(session: Session, viewer: Viewer, now: datetime) -> list[ListedAccount]:
    """Return the accounts that the viewer may look at, by name."""
    roles: dict[int, list[str]] = defaultdict(list)
    for row in session.execute(select(AccountRole.account_id, AccountRole.role)):
        roles[row[0]].append(row[1])
    persons = {row[0]: row[1] for row in session.execute(select(Person.id, Person.name))}
    found = []
    for account in session.execute(visible_accounts(viewer)).scalars():
        state = _state(account, now)
        found.append(
            ListedAccount(
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
