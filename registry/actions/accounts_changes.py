"""What the steward changes of an account: disabled or not, its roles, its sessions.

Each change carries a reason, is an event, and holds from the account's next request on. Whoever can
sign in as a steward last stays one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Role, require
from registry.domain.problems import BadInputError, ConflictError, Fault, NotFoundError
from registry.store.models.people import Account, AccountRole
from registry.store.queries import people
from registry.store.rows import record_name

if TYPE_CHECKING:
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.writing import Writing

LONGEST_REASON = 300


def disable(
    ledger: Ledger, viewer: Viewer, account: str | int, *, because: str, now: datetime
) -> Viewer:
    """Let an account sign in no more and end its sessions; return whose it is."""
    reason = checked_reason(viewer, because)
    with ledger.writing(viewer, now) as work:
        there = _found(work, account)
        if people.is_disabled(work.session, there.account_id):
            raise ConflictError(Fault(f"{there.name} is disabled already"))
        _keep_a_steward(work, there)
        work.update(Account, "disable", there.account_id, because=reason, is_disabled=True)
        people.end_sessions_of(work.session, there.account_id)
    return there


def enable(
    ledger: Ledger, viewer: Viewer, account: str | int, *, because: str, now: datetime
) -> Viewer:
    """Let a disabled account sign in again, with the password that it had."""
    reason = checked_reason(viewer, because)
    with ledger.writing(viewer, now) as work:
        there = _found(work, account)
        if not people.is_disabled(work.session, there.account_id):
            raise ConflictError(Fault(f"{there.name} is not disabled"))
        work.update(Account, "enable", there.account_id, because=reason, is_disabled=False)
    return there


def give_role(
    ledger: Ledger, viewer: Viewer, account: str | int, role: Role, *, because: str, now: datetime
) -> Viewer:
    """Give an account one more role; its sessions end, so that it signs in anew with it."""
    reason = checked_reason(viewer, because)
    with ledger.writing(viewer, now) as work:
        there = _found(work, account)
        if role in there.roles:
            raise ConflictError(Fault(f"{there.name} has the role {role} already"))
        row_id = people.role_row(work.session, there.account_id, role)
        if row_id is not None:
            work.update(AccountRole, "give a role", row_id, because=reason, taken_at=None)
        else:
            work.insert(
                AccountRole,
                "give a role",
                because=reason,
                account_id=there.account_id,
                role=role.value,
            )
        people.end_sessions_of(work.session, there.account_id)
    return there


def take_role(
    ledger: Ledger, viewer: Viewer, account: str | int, role: Role, *, because: str, now: datetime
) -> Viewer:
    """Take a role from an account; its sessions end."""
    reason = checked_reason(viewer, because)
    with ledger.writing(viewer, now) as work:
        there = _found(work, account)
        row_id = people.role_row(work.session, there.account_id, role)
        if role not in there.roles or row_id is None:
            raise ConflictError(Fault(f"{there.name} does not have the role {role}"))
        if role is Role.STEWARD:
            _keep_a_steward(work, there)
        work.update(AccountRole, "take a role", row_id, because=reason, taken_at=now)
        people.end_sessions_of(work.session, there.account_id)
    return there


def _keep_a_steward(work: Writing, there: Viewer) -> None:
    """Refuse a change after which nobody could sign in as a steward."""
    others = people.other_stewards(work.session, there.account_id)
    if Role.STEWARD in there.roles and not others:
        raise BadInputError(
            Fault(
                f"{there.name} is the last who can sign in as a steward",
                mend="invite another steward first and let them set a password",
            )
        )


def end_sessions(
    ledger: Ledger, viewer: Viewer, account: str | int, *, because: str, now: datetime
) -> int:
    """End every session of an account; return how many there were."""
    reason = checked_reason(viewer, because)
    with ledger.writing(viewer, now) as work:
        there = _found(work, account)
        ended = people.end_sessions_of(work.session, there.account_id)
        work.note("end all sessions", record_name(Account, there.account_id), reason)
    return ended


def checked_reason(viewer: Viewer, because: str) -> str:
    """Return the reason in one line, once it is certain that the viewer may change accounts."""
    require(viewer, Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
    reason = " ".join(because.split())
    if not reason or len(reason) > LONGEST_REASON or not reason.isprintable():
        raise BadInputError(
            Fault("a change of an account needs its reason", "reason", "in 1 to 300 characters")
        )
    return reason


def _found(work: Writing, account: str | int) -> Viewer:
    if isinstance(account, int):
        there = people.account_numbered(work.session, account)
        named = "account with this number"
    else:
        there = people.account_named(work.session, account)
        named = f"account {account!r}"
    if there is None:
        raise NotFoundError(f"there is no {named}")
    if there.is_local_operator:
        raise BadInputError(
            Fault("the shell's own account cannot sign in and stays as it is", there.name)
        )
    return there
