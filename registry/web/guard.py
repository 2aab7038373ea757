"""Who may open which route: every view says so, and one that does not is closed to all.

What seals, exports or changes who may do what asks for the password again, if it was not entered
within the last minutes: `@confirmed()` beside the guard.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, TypeVar, cast

from flask import current_app, g, redirect, request, url_for
from werkzeug.datastructures import ImmutableMultiDict

from registry.actions.sessions import confirm
from registry.domain.access import Deed, Reach, require
from registry.domain.problems import NotAllowedError, ProblemError
from registry.web.context import (
    current_ledger,
    current_viewer,
    hold_session,
    now,
    session_or_none,
    session_token,
)
from registry.web.errors import page_with, wants_json
from registry.web.fields import Field

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask
    from flask.typing import ResponseReturnValue

View = TypeVar("View", bound="Callable[..., Any]")

CONFIRMED_MINUTES = 10
PASSWORD_AGAIN = "password-again"  # noqa: S105 - the name of a field
_MARK = "guard"
_CONFIRMED = "confirmed_minutes"
_SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})


@dataclass(frozen=True)
class Guard:
    """Who may open a route.

    Attributes
    ----------
    is_open : to everyone, signed in or not
    deed : what the viewer must be allowed to do; None asks for no more than a sign-in
    at_least : how far they must reach
    """

    is_open: bool = False
    deed: Deed | None = None
    at_least: Reach = Reach.OWN


OPEN = Guard(is_open=True)


def open_to_all(view: View) -> View:
    """Let everyone in: sign-in, invitation and health alone."""
    return _marked(view, OPEN)


def signed_in(view: View) -> View:
    """Let in whoever is signed in, whatever their role."""
    return _marked(view, Guard())


def needs(deed: Deed, at_least: Reach = Reach.OWN) -> Callable[[View], View]:
    """Let in who may do this deed."""

    def mark(view: View) -> View:
        return _marked(view, Guard(deed=deed, at_least=at_least))

    return mark


def confirmed(minutes: int = CONFIRMED_MINUTES) -> Callable[[View], View]:
    """Ask who it is again where the password was not entered within these minutes.

    A form is shown the question with all that it sent, and goes on from there; a page or a file is
    opened once the question is answered; a program is told where to answer it. Stands beside the
    guard that says who may.
    """

    def mark(view: View) -> View:
        vars(view)[_CONFIRMED] = minutes
        return view

    return mark


def _marked(view: View, guard: Guard) -> View:
    vars(view)[_MARK] = guard
    return view


def guard_of(app: Flask, endpoint: str) -> Guard | None:
    """Return an endpoint's guard; styles and scripts are open, they hold no record."""
    if endpoint.rpartition(".")[2] == "static":
        return OPEN
    return cast("Guard | None", getattr(app.view_functions[endpoint], _MARK, None))


def check_guard() -> None:
    """Refuse a request that its route's guard does not let in."""
    if request.endpoint is None:
        return
    guard = guard_of(current_app, request.endpoint)
    if guard is None:
        raise NotAllowedError("nobody may open this page: it does not say who may")
    if guard.is_open:
        return
    viewer = current_viewer()
    if guard.deed is not None:
        require(viewer, guard.deed, at_least=guard.at_least)


def check_origin() -> None:
    """Refuse a change that another site's page sent; the form's token is asked for besides."""
    sent_from = request.headers.get("Sec-Fetch-Site", "same-origin")
    if request.method not in _SAFE_METHODS and sent_from not in {"same-origin", "none"}:
        raise NotAllowedError("this was sent from another site's page; open the ledger's own")


class NotConfirmedError(NotAllowedError):
    """The password has to be entered again first."""


def confirmed_minutes_of(app: Flask, endpoint: str) -> int | None:
    """Return within how many minutes an endpoint wants the password entered; None asks nothing."""
    return cast("int | None", getattr(app.view_functions.get(endpoint), _CONFIRMED, None))


def is_confirmed(minutes: int = CONFIRMED_MINUTES) -> bool:
    """Return whether the password was entered in this session within these minutes."""
    session = session_or_none()
    return session is not None and now() - session.confirmed_at < timedelta(minutes=minutes)


def check_confirmed() -> ResponseReturnValue | None:
    """Ask for the password where a route wants it entered lately; after the form's token."""
    if request.endpoint is None or session_or_none() is None:
        return None
    g.password_again = _taken_out()
    minutes = confirmed_minutes_of(current_app, request.endpoint)
    if minutes is None or is_confirmed(minutes):
        return None
    if request.method in _SAFE_METHODS and not wants_json():
        return redirect(url_for("account.confirm_page", next=request.full_path.rstrip("?")))
    if wants_json():
        raise NotConfirmedError(f"enter the password again first, at {_confirm_address()}")
    if g.password_again is None:
        return _question(NotConfirmedError("enter the password again to go on"))
    try:
        enter_again(password_again())
    except NotAllowedError as problem:
        if session_or_none() is None:
            raise
        return _question(problem)
    return None


def password_again() -> str:
    """Return the password that came with this request's form, taken out of it; '' where none."""
    return cast("str | None", g.password_again) or ""


def enter_again(password: str) -> None:
    """Take the password of who is signed in; the session goes on under another token."""
    try:
        turned = confirm(current_ledger(), session_token(), password, now())
    except NotAllowedError:
        g.pop("open_session", None)
        raise
    hold_session(turned)


def _taken_out() -> str | None:
    """Return the password that came with a form, and leave the form without it."""
    if request.method in _SAFE_METHODS or PASSWORD_AGAIN not in request.form:
        return None
    again = request.form[PASSWORD_AGAIN]
    request.form = ImmutableMultiDict(
        [pair for pair in request.form.items(multi=True) if pair[0] != PASSWORD_AGAIN]
    )
    return again


def _question(problem: ProblemError) -> ResponseReturnValue:
    """Return the page that asks, holding what was sent; a file cannot be held."""
    has_files = any(file.filename for file in request.files.values())
    return page_with(
        problem,
        "account/confirm.html",
        fields=[password_again_field()],
        action=_confirm_address() if has_files else request.full_path.rstrip("?"),
        held=[] if has_files else _held(),
        has_files=has_files,
    )


def password_again_field() -> Field:
    """Return the field of the password that is entered again."""
    return Field(PASSWORD_AGAIN, "Password", kind="password", autocomplete="current-password")


def _held() -> list[tuple[str, str]]:
    return [pair for pair in request.form.items(multi=True) if pair[0] != "csrf_token"]


def _confirm_address() -> str:
    return url_for("account.confirm_page")
