"""What a view may ask of its surroundings: the ledger, the time, and who is signed in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, cast
from zoneinfo import ZoneInfo

from flask import current_app, g, request

from registry.actions.sessions import session_of
from registry.actions.sessions_tries import Origin
from registry.domain.problems import NotAllowedError
from registry.web.browsers import browser_in_words

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date, datetime

    from flask import Flask, Response

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.people import OpenSession

_PLACE = "pedicle_ledger"
_MARKS_LAST = timedelta(days=180)


class NotSignedInError(NotAllowedError):
    """Nobody is signed in where somebody has to be."""

    http_status = 401


@dataclass(frozen=True)
class Surroundings:
    """What one application serves, and how.

    Attributes
    ----------
    ledger : whose records it shows
    clock : gives the present instant, aware
    is_https : whether browsers reach it over TLS
    """

    ledger: Ledger
    clock: Callable[[], datetime]
    is_https: bool

    @property
    def session_cookie(self) -> str:
        """Name of the cookie with the session's token; the prefix binds it to this host."""
        return "__Host-signed-in" if self.is_https else "signed-in"

    @property
    def form_cookie(self) -> str:
        """Name of the signed cookie that form tokens are checked against."""
        return "__Host-forms" if self.is_https else "forms"

    @property
    def browser_cookie(self) -> str:
        """Name of the cookie that says which accounts have signed in with this browser."""
        return "__Host-known-browser" if self.is_https else "known-browser"


def surround(app: Flask, surroundings: Surroundings) -> None:
    """Hand an application its surroundings."""
    app.extensions[_PLACE] = surroundings


def surroundings() -> Surroundings:
    """Return the surroundings of the application that answers."""
    return cast("Surroundings", current_app.extensions[_PLACE])


def current_ledger() -> Ledger:
    """Return the ledger that is served."""
    return surroundings().ledger


def now() -> datetime:
    """Return the present instant by the application's clock."""
    return surroundings().clock()


def today() -> date:
    """Return the unit's own day."""
    return now().astimezone(ZoneInfo(current_ledger().settings.zone)).date()


def session_token() -> str:
    """Return the token that the browser sent, or ''."""
    return request.cookies.get(surroundings().session_cookie, "")


def session_or_none() -> OpenSession | None:
    """Return the session of who is signed in, looked up once a request."""
    if "open_session" not in g:
        token = session_token()
        g.open_session = session_of(current_ledger(), token, now()) if token else None
    return cast("OpenSession | None", g.open_session)


def viewer_or_none() -> Viewer | None:
    """Return who is signed in."""
    if "viewer" not in g:
        found = session_or_none()
        g.viewer = None if found is None else found.viewer
    return cast("Viewer | None", g.viewer)


def origin() -> Origin:
    """Return where this request comes from, as signing in wants to know it."""
    marks = request.cookies.get(surroundings().browser_cookie, "")
    agent = browser_in_words(request.headers.get("User-Agent", ""))
    return Origin(request.remote_addr or "", marks, agent)


def hold_session(token: str) -> None:
    """Have the answer give the browser a session's token."""
    g.new_token = token


def hold_marks(marks: str) -> None:
    """Have the answer give the browser its marks of the accounts that it has signed in to."""
    g.new_marks = marks


def give_cookies(response: Response) -> Response:
    """Return the answer with the cookies that were to be given with it."""
    around = surroundings()
    flags: dict[str, Any] = {"httponly": True, "samesite": "Lax", "secure": around.is_https}
    if "new_token" in g:
        response.set_cookie(around.session_cookie, g.new_token, **flags)
    if "new_marks" in g:
        response.set_cookie(around.browser_cookie, g.new_marks, max_age=_MARKS_LAST, **flags)
    return response


def current_viewer() -> Viewer:
    """Return who is signed in; NotSignedInError where nobody is."""
    viewer = viewer_or_none()
    if viewer is None:
        raise NotSignedInError("sign in first")
    return viewer


def request_reference() -> str:
    """Return the reference under which this request stands in the log."""
    return cast("str", g.reference)
