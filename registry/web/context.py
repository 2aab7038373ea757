"""What a view may ask of its surroundings: the ledger, the time, and who is signed in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from flask import current_app, g, request

from registry.actions.accounts import viewer_of
from registry.domain.problems import NotAllowedError

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from flask import Flask

    from registry.domain.access import Viewer
    from registry.store.home import Ledger

_PLACE = "pedicle_ledger"


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


def viewer_or_none() -> Viewer | None:
    """Return who is signed in, looked up once a request."""
    if "viewer" not in g:
        token = request.cookies.get(surroundings().session_cookie)
        g.viewer = viewer_of(current_ledger(), token, now()) if token else None
    return cast("Viewer | None", g.viewer)


def current_viewer() -> Viewer:
    """Return who is signed in; NotSignedInError where nobody is."""
    viewer = viewer_or_none()
    if viewer is None:
        raise NotSignedInError("sign in first")
    return viewer


def request_reference() -> str:
    """Return the reference under which this request stands in the log."""
    return cast("str", g.reference)
