"""The lead closes a quarter: comments, countersigns, seals, and keeps what was sealed.

Whoever signs enters the password with the form: a page that was left open signs nothing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flask import (
    Blueprint,
    Response,
    flash,
    get_flashed_messages,
    redirect,
    render_template,
    request,
    url_for,
)

from registry.actions.closing import closing, sealed_file
from registry.actions.quarter_standing import comment, countersign
from registry.actions.seal_quarter import (
    public_key,
    seal_quarter,
    seal_supplement,
    work_out_again,
)
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError, ConflictError
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import confirmed, needs, password_again_field
from registry.web.pages.closing.lines import hindrance_lines, told_lines

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.typing import ResponseReturnValue

closing_page = Blueprint("closing", __name__, template_folder="templates", url_prefix="/quarters")

_SEALS = needs(Deed.SEAL, at_least=Reach.ALL)
_DONE = "closing"
_SHOWN = 100
_MEDIA_TYPES = {
    "pdf": "application/pdf",
    "html": "text/html",
    "json": "application/json",
    "csv": "text/csv",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
_COPY_KEYS = (
    "The unit's key of seals was made with this seal: have a new copy of the folder of keys kept, "
    "for no backup has it"
)


@closing_page.get("/<period>/closing")
@_SEALS
def show(period: str) -> ResponseReturnValue:
    """Show how far a quarter is, and what can be done about it."""
    return render_template("closing/closing.html", **_page(period))


@closing_page.post("/<period>/closing/comment")
@_SEALS
def say(period: str) -> ResponseReturnValue:
    """Keep a comment."""
    words = request.form.get("words", "")

    def act() -> str:
        comment(current_ledger(), current_viewer(), period, words, now())
        return "The comment is kept"

    return _done(period, act, words=words)


@closing_page.post("/<period>/closing/countersign")
@_SEALS
@confirmed(minutes=0)
def sign(period: str) -> ResponseReturnValue:
    """Sign the numbers as they stand, beside whoever seals them."""

    def act() -> str:
        digest = countersign(current_ledger(), current_viewer(), period, now())
        return f"You have countersigned the numbers as they stand: {digest[:16]}"

    return _done(period, act)


@closing_page.post("/<period>/closing/seal")
@_SEALS
@confirmed(minutes=0)
def seal(period: str) -> ResponseReturnValue:
    """Seal a quarter; its files are kept here."""

    def act() -> str:
        had_key = current_ledger().keys.seal is not None
        seal_quarter(current_ledger(), current_viewer(), period, None, now())
        return f"{period} is sealed" if had_key else f"{period} is sealed. {_COPY_KEYS}"

    return _done(period, act)


@closing_page.get("/<period>/closing/again")
@_SEALS
def again(period: str) -> ResponseReturnValue:
    """Work a sealed quarter out again from the records as they are now."""
    return render_template("closing/again.html", **_again(period))


@closing_page.post("/<period>/closing/again")
@_SEALS
@confirmed(minutes=0)
def supplement(period: str) -> ResponseReturnValue:
    """Seal what has changed since."""
    try:
        seal_supplement(current_ledger(), current_viewer(), period, None, now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, "closing/again.html", **_again(period))
    flash(f"A supplement to {period} is sealed", _DONE)
    return redirect(url_for(".show", period=period), 303)


@closing_page.get("/<period>/sealed/<int:part>/<name>")
@_SEALS
def keep(period: str, part: int, name: str) -> ResponseReturnValue:
    """Give a sealed file, or one of those inside it, as it was sealed."""
    data = sealed_file(current_ledger(), current_viewer(), period, part, name)
    ending = name.rpartition(".")[2]
    return _attached(data, name, _MEDIA_TYPES.get(ending, "application/octet-stream"))


@closing_page.get("/public_key.pem")
@_SEALS
def key() -> ResponseReturnValue:
    """Give the public key by which others check the unit's seals."""
    data = public_key(current_ledger()).encode()
    return _attached(data, "public_key.pem", "application/x-pem-file")


def _attached(data: bytes, name: str, media_type: str) -> Response:
    response = Response(data, mimetype=media_type)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def _done(period: str, act: Callable[[], str], **typed: str) -> ResponseReturnValue:
    """Do it and go back to the page, which says what was done or why it was not."""
    try:
        news = act()
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, "closing/closing.html", **_page(period, **typed))
    flash(news, _DONE)
    return redirect(url_for(".show", period=period), 303)


def _page(period: str, words: str = "") -> dict[str, object]:
    found = closing(current_ledger(), current_viewer(), period, now())
    return {
        "closing": found,
        "hindrances": hindrance_lines(found.state, found.wants),
        "told": told_lines(found.state),
        "news": get_flashed_messages(category_filter=[_DONE]),
        "words": words,
        "shown": _SHOWN,
        "to_seal": _password("seal"),
        "to_countersign": _password("countersign"),
    }


def _again(period: str) -> dict[str, object]:
    found = work_out_again(current_ledger(), current_viewer(), period, now())
    return {"period": period, "found": found, "shown": _SHOWN, "to_seal": _password("seal")}


def _password(deed: str) -> object:
    """Return the field of the password, whose label tells it from the other one on the page."""
    return replace(password_again_field(), label=f"Your password, to {deed}", mark=f"-{deed}")
