"""One's own account: its sessions, and another password."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.accounts_secrets import token_digest
from registry.actions.sessions import (
    change_password,
    end_other_sessions,
    end_own_session,
    idle_since,
)
from registry.domain.problems import BadInputError, NotAllowedError
from registry.store.queries.accounts import SessionsAsked, listed_account, open_sessions
from registry.web.context import (
    current_ledger,
    current_viewer,
    hold_session,
    now,
    session_token,
)
from registry.web.errors import page_with
from registry.web.guard import confirmed, signed_in
from registry.web.logs import log
from registry.web.pages.account.forms import (
    PASSWORD_RULES,
    other_password_fields,
    require_alike,
)

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

own_account = Blueprint("own_account", __name__, template_folder="templates")

_TOLD = {
    "session-ended": "The session has ended.",
    "others-ended": "Every other session has ended.",
    "password-changed": "The password is changed; every other session has ended.",
}


@own_account.get("/account")
@signed_in
def show() -> ResponseReturnValue:
    """Show one's own account and where it is signed in."""
    return render_template(
        "account/own.html",
        **_shown(),
        fields=other_password_fields(),
        news=_TOLD.get(request.args.get("news", "")),
    )


@own_account.post("/account/sessions/<int:number>/end")
@confirmed()
@signed_in
def end_session(number: int) -> ResponseReturnValue:
    """End one of one's own sessions."""
    end_own_session(current_ledger(), current_viewer(), number)
    log("session ended")
    return redirect(url_for("own_account.show", news="session-ended"), 303)


@own_account.post("/account/sessions/end-others")
@confirmed()
@signed_in
def end_others() -> ResponseReturnValue:
    """End every session but this one."""
    end_other_sessions(current_ledger(), current_viewer(), session_token())
    log("other sessions ended")
    return redirect(url_for("own_account.show", news="others-ended"), 303)


@own_account.post("/account/password")
@signed_in
def set_other_password() -> ResponseReturnValue:
    """Set another password, with the one that holds until now."""
    old, new = request.form.get("old", ""), request.form.get("password", "")
    try:
        require_alike(new, request.form.get("again", ""))
        token = change_password(current_ledger(), session_token(), old, new, now())
    except BadInputError as problem:
        return _refused(problem, new_error=problem.faults[0].what)
    except NotAllowedError as problem:
        return _refused(problem, old_error=str(problem))
    hold_session(token)
    log("password changed")
    return redirect(url_for("own_account.show", news="password-changed"), 303)


def _refused(
    problem: BadInputError | NotAllowedError, *, old_error: str = "", new_error: str = ""
) -> ResponseReturnValue:
    fields = other_password_fields(old_error, new_error)
    return page_with(problem, "account/own.html", **_shown(), fields=fields)


def _shown() -> dict[str, object]:
    ledger, viewer, instant = current_ledger(), current_viewer(), now()
    own_digest = token_digest(ledger, session_token())
    asked = SessionsAsked(viewer.account_id, instant, idle_since(ledger, instant), own_digest)
    with ledger.reading() as session:
        found = listed_account(session, viewer, viewer.account_id, instant)
        sessions = open_sessions(session, viewer, asked)
    return {
        "account": found,
        "sessions": sessions,
        "rules": PASSWORD_RULES,
        "hours": ledger.settings.session_hours,
        "idle_minutes": ledger.settings.session_idle_minutes,
    }
