"""Who may open which route: every view says so, and one that does not is closed to all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar, cast

from flask import current_app, request

from registry.domain.access import Deed, Reach, require
from registry.domain.problems import NotAllowedError
from registry.web.context import current_viewer

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask

View = TypeVar("View", bound="Callable[..., Any]")

_MARK = "guard"
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
