"""Sign in, sign out, and use an invitation."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, render_template, request, session, url_for

from registry.actions.accounts import USED_UP, accept_invitation, invited_name
from registry.actions.sessions import account_of, sign_in, sign_out
from registry.actions.sessions_tries import marked
from registry.domain.problems import BadInputError, NotAllowedError
from registry.web.context import (
    current_ledger,
    hold_marks,
    hold_session,
    now,
    origin,
    session_token,
    surroundings,
    viewer_or_none,
)
from registry.web.errors import page_with
from registry.web.guard import (
    enter_again,
    open_to_all,
    password_again,
    password_again_field,
    signed_in,
)
from registry.web.logs import log
from registry.web.pages.account.forms import (
    PASSWORD_RULES,
    first_password_fields,
    page_to_return_to,
    require_alike,
    sign_in_fields,
)

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

account = Blueprint("account", __name__, template_folder="templates")


@account.get("/sign-in")
@open_to_all
def sign_in_page() -> ResponseReturnValue:
    """Ask for name and password."""
    if viewer_or_none() is not None:
        return redirect(page_to_return_to(request.args.get("next", "")) or url_for("home.start"))
    return render_template(
        "account/sign_in.html",
        fields=sign_in_fields(),
        wanted=request.args.get("next", ""),
        is_new=request.args.get("news") == "password-set",
    )


@account.post("/sign-in")
@open_to_all
def enter() -> ResponseReturnValue:
    """Start a session of its own; whatever the browser carried before has ended."""
    name, wanted = request.form.get("name", ""), request.form.get("next", "")
    came_from = origin()
    try:
        token = sign_in(current_ledger(), name, request.form.get("password", ""), now(), came_from)
    except NotAllowedError as problem:
        return page_with(
            problem, "account/sign_in.html", fields=sign_in_fields(name), wanted=wanted
        )
    _end_session()
    hold_session(token)
    hold_marks(marked(current_ledger(), came_from.marks, account_of(token)))
    log("signed in")
    return redirect(page_to_return_to(wanted) or url_for("home.start"), 303)


@account.post("/sign-out")
@signed_in
def leave() -> ResponseReturnValue:
    """End the session."""
    _end_session()
    around = surroundings()
    response = redirect(url_for("account.sign_in_page"), 303)
    response.delete_cookie(
        around.session_cookie, httponly=True, samesite="Lax", secure=around.is_https
    )
    response.headers["Clear-Site-Data"] = '"cache", "storage"'
    return response


@account.get("/confirm")
@signed_in
def confirm_page() -> ResponseReturnValue:
    """Ask who it is again, for a page or file that wants to know."""
    return render_template("account/confirm.html", **_question(request.args.get("next", "")))


@account.post("/confirm")
@signed_in
def confirm_again() -> ResponseReturnValue:
    """Take the password again and go on to where it was asked."""
    wanted = request.form.get("next", "")
    try:
        enter_again(password_again())
    except NotAllowedError as problem:
        return page_with(problem, "account/confirm.html", **_question(wanted))
    return redirect(page_to_return_to(wanted) or url_for("home.start"), 303)


def _question(wanted: str) -> dict[str, object]:
    return {
        "fields": [password_again_field()],
        "action": url_for("account.confirm_again"),
        "held": [("next", wanted)] if wanted else [],
        "has_files": False,
    }


@account.get("/invitation/<token>")
@open_to_all
def invitation(token: str) -> ResponseReturnValue:
    """Ask for the first password of an invited account."""
    return render_template(
        "account/invitation.html",
        name=_invited(token),
        fields=first_password_fields(),
        rules=PASSWORD_RULES,
    )


@account.post("/invitation/<token>")
@open_to_all
def set_password(token: str) -> ResponseReturnValue:
    """Set the first password; the invitation is then used up."""
    name = _invited(token)
    password = request.form.get("password", "")
    try:
        require_alike(password, request.form.get("again", ""))
        account_id = accept_invitation(current_ledger(), token, password, now())
    except BadInputError as problem:
        return page_with(
            problem,
            "account/invitation.html",
            name=name,
            fields=first_password_fields(problem.faults[0].what),
            rules=PASSWORD_RULES,
        )
    hold_marks(marked(current_ledger(), origin().marks, account_id))
    return redirect(url_for("account.sign_in_page", news="password-set"), 303)


def _invited(token: str) -> str:
    name = invited_name(current_ledger(), token, now(), origin().address)
    if name is None:
        raise NotAllowedError(USED_UP)
    return name


def _end_session() -> None:
    token = session_token()
    if token:
        sign_out(current_ledger(), token)
    session.clear()
