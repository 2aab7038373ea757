"""List the accounts, invite, and change one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.accounts import INVITATION_DAYS, invite, invite_again
from registry.actions.accounts_changes import (
    checked_reason,
    disable,
    enable,
    end_sessions,
    give_role,
    take_role,
)
from registry.actions.sessions import idle_since
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError, ConflictError
from registry.store.queries.accounts import (
    SessionsAsked,
    listed_account,
    listed_accounts,
    open_sessions,
)
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import confirmed, needs
from registry.web.logs import log
from registry.web.pages.accounts.forms import (
    all_roles,
    asked_invitation,
    asked_role,
    change_fields,
    invitation_fields,
)
from registry.web.paging import page_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.typing import ResponseReturnValue

    from registry.domain.problems import ProblemError

accounts = Blueprint("accounts", __name__, template_folder="templates")

_TOLD = {
    "disabled": "The account is disabled; it cannot sign in and its sessions have ended.",
    "enabled": "The account can sign in again.",
    "role-taken": "The role is taken; its sessions have ended.",
    "role-given": "The role is given; it holds from the next sign-in.",
    "sessions-ended": "Every session of the account has ended.",
}


@accounts.get("/accounts")
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Show who can sign in and as what."""
    with current_ledger().reading() as session:
        found = listed_accounts(session, current_viewer(), now())
    return render_template("accounts/list.html", page=page_of(found, request.args.get("page")))


@accounts.get("/accounts/invite")
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def invitation_form() -> ResponseReturnValue:
    """Ask whom to invite, and as what."""
    return render_template(
        "accounts/invite.html", fields=invitation_fields({}), roles=all_roles(), ticked=()
    )


@accounts.post("/accounts/invite")
@confirmed()
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def invite_person() -> ResponseReturnValue:
    """Make the account and show its link, this once."""
    ticked = request.form.getlist("role")
    is_new = request.form.get("new_person") == "yes"
    try:
        asked = asked_invitation(request.form, ticked)
        token = invite(
            current_ledger(),
            current_viewer(),
            asked.name,
            asked.roles,
            person=asked.person,
            now=now(),
            new_person=is_new,
        )
    except (BadInputError, ConflictError) as problem:
        return page_with(
            problem,
            "accounts/invite.html",
            fields=invitation_fields(request.form),
            roles=all_roles(),
            ticked=ticked,
            is_new=is_new,
        )
    log("invited")
    return _link(asked.name, token)


@accounts.get("/accounts/<int:account_id>")
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def one(account_id: int) -> ResponseReturnValue:
    """Show one account, where it is signed in and what can be changed."""
    return render_template(
        "accounts/account.html",
        **_shown(account_id),
        fields=change_fields(),
        news=_TOLD.get(request.args.get("news", "")),
    )


@accounts.post("/accounts/<int:account_id>/disable")
@confirmed()
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def disable_account(account_id: int) -> ResponseReturnValue:
    """Let the account sign in no more."""
    return _changed(
        account_id,
        "disabled",
        lambda because: disable(
            current_ledger(), current_viewer(), account_id, because=because, now=now()
        ),
    )


@accounts.post("/accounts/<int:account_id>/enable")
@confirmed()
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def enable_account(account_id: int) -> ResponseReturnValue:
    """Let the account sign in again."""
    return _changed(
        account_id,
        "enabled",
        lambda because: enable(
            current_ledger(), current_viewer(), account_id, because=because, now=now()
        ),
    )


@accounts.post("/accounts/<int:account_id>/role")
@confirmed()
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def give_another_role(account_id: int) -> ResponseReturnValue:
    """Give the account one more role."""
    return _changed(
        account_id,
        "role-given",
        lambda because: give_role(
            current_ledger(),
            current_viewer(),
            account_id,
            asked_role(request.form.get("role", "")),
            because=because,
            now=now(),
        ),
    )


@accounts.post("/accounts/<int:account_id>/role/take")
@confirmed()
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def take_a_role(account_id: int) -> ResponseReturnValue:
    """Take a role from the account."""
    return _changed(
        account_id,
        "role-taken",
        lambda because: take_role(
            current_ledger(),
            current_viewer(),
            account_id,
            asked_role(request.form.get("held", "")),
            because=because,
            now=now(),
        ),
    )


@accounts.post("/accounts/<int:account_id>/sessions/end")
@confirmed()
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def end_all_sessions(account_id: int) -> ResponseReturnValue:
    """End every session of the account."""
    return _changed(
        account_id,
        "sessions-ended",
        lambda because: end_sessions(
            current_ledger(), current_viewer(), account_id, because=because, now=now()
        ),
    )


@accounts.post("/accounts/<int:account_id>/link")
@confirmed()
@needs(Deed.MANAGE_ACCOUNTS, at_least=Reach.ALL)
def new_link(account_id: int) -> ResponseReturnValue:
    """Show a new one-time link, this once; on a breach the password until now ends with it."""
    with current_ledger().reading() as session:
        found = listed_account(session, current_viewer(), account_id, now())
    reason = request.form.get("reason", "")
    try:
        token = invite_again(
            current_ledger(),
            current_viewer(),
            account_id,
            now=now(),
            ends_password=request.form.get("ends_password") == "yes",
            because=checked_reason(current_viewer(), reason),
        )
    except BadInputError as problem:
        return _account_again(account_id, problem, reason)
    log("invited again")
    return _link(found.name, token)


def _changed(account_id: int, news: str, change: Callable[[str], object]) -> ResponseReturnValue:
    reason = request.form.get("reason", "")
    try:
        change(reason)
    except (BadInputError, ConflictError) as problem:
        return _account_again(account_id, problem, reason)
    log(f"account {news}")
    return redirect(url_for("accounts.one", account_id=account_id, news=news), 303)


def _account_again(account_id: int, problem: ProblemError, reason: str) -> ResponseReturnValue:
    shown = _shown(account_id)
    return page_with(problem, "accounts/account.html", **shown, fields=change_fields(reason))


def _shown(account_id: int) -> dict[str, object]:
    ledger, viewer, instant = current_ledger(), current_viewer(), now()
    asked = SessionsAsked(account_id, instant, idle_since(ledger, instant))
    with ledger.reading() as session:
        found = listed_account(session, viewer, account_id, instant)
        sessions = open_sessions(session, viewer, asked)
    missing = [role for role in all_roles() if role not in found.roles]
    return {"account": found, "sessions": sessions, "missing": missing}


def _link(name: str, token: str) -> ResponseReturnValue:
    address = url_for("account.invitation", token=token, _external=True)
    return render_template("accounts/link.html", name=name, address=address, days=INVITATION_DAYS)
