"""Send each person to what they sit down to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, url_for

from registry.domain.problems import NotAllowedError
from registry.web.context import current_viewer
from registry.web.guard import signed_in
from registry.web.navigation import first_place

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

home = Blueprint("home", __name__)


@home.get("/")
@signed_in
def start() -> ResponseReturnValue:
    """Go to the first page of the viewer's role."""
    place = first_place(current_viewer())
    if place is None:
        raise NotAllowedError("this account has no role; ask the steward for one")
    return redirect(url_for(place.endpoint, **place.values))
