"""The one place that turns what went wrong into pages and JSON."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from flask import Response, g, redirect, render_template, request, url_for
from flask.globals import request_ctx
from flask_wtf.csrf import CSRFError
from werkzeug.exceptions import HTTPException

from registry.domain.caution import CAUTION
from registry.domain.problems import FailureError, NoRoomError, ProblemError
from registry.web.context import NotSignedInError, request_reference
from registry.web.logs import log

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flask import Flask
    from flask.typing import ResponseReturnValue

_TITLES = {
    400: "This cannot be used as it is",
    401: "Sign in first",
    403: "Not allowed",
    404: "There is no such page",
    405: "This page does not take that",
    409: "It has changed meanwhile",
    413: "Too large",
    507: "There is no room",
}
_WORDS = {
    404: "Nothing is kept at this address, or nothing that you may see.",
    405: "The address is right, but it was called in a way that it does not answer.",
    413: "More was sent than this page takes.",
}
_FAILED = "The program failed; nothing was half-saved. Try again, and tell the steward"
_SERVER_ERROR = 500


def register_errors(app: Flask) -> None:
    """Have every problem of an application told in words."""
    app.register_error_handler(NotSignedInError, _on_not_signed_in)
    app.register_error_handler(ProblemError, _on_problem)
    app.register_error_handler(HTTPException, _on_http)
    app.register_error_handler(Exception, _on_unexpected)


def wants_json() -> bool:
    """Return whether who asks is a program: by the address, by what it sent, or by its word."""
    accepted = request.accept_mimetypes
    return (
        request.path.endswith(".json")
        or request.is_json
        or accepted.best_match(["text/html", "application/json"]) == "application/json"
    )


def page_with(problem: ProblemError, template: str, **values: object) -> tuple[str, int]:
    """Return a form's own page again, with what was wrong with what it sent."""
    _note(problem)
    return render_template(template, faults=problem.lines(), **values), problem.http_status


def _on_not_signed_in(problem: ProblemError) -> ResponseReturnValue:
    if wants_json():
        return _told(problem.lines(), problem.http_status)
    wanted = request.full_path.rstrip("?") if request.method == "GET" else None
    return redirect(url_for("account.sign_in_page", next=wanted))


def _on_problem(problem: ProblemError) -> ResponseReturnValue:
    if isinstance(problem, FailureError) and not isinstance(problem, NoRoomError):
        return _on_unexpected(problem)
    _note(problem)
    return _told(problem.lines(), problem.http_status)


def _on_http(error: HTTPException) -> ResponseReturnValue:
    code = error.code or _SERVER_ERROR
    if error.response is not None or code < 400:  # noqa: PLR2004 - a redirect of the router
        return error
    if isinstance(error, CSRFError):
        log("form refused", level=logging.WARNING)
        return _told(
            ["This form was not sent from its own page, or the page is too old; open it again."],
            code,
        )
    return _told([_WORDS.get(code, "The request cannot be read.")], code)


def _on_unexpected(_error: Exception) -> ResponseReturnValue:
    g.setdefault("viewer", None)  # the page about a failure must not ask the database again
    log("failure", level=logging.ERROR, failed=True)
    return _told([f"{_FAILED} this reference: {request_reference()}."], _SERVER_ERROR)


def _note(problem: ProblemError) -> None:
    log("refused", level=logging.WARNING, kind=type(problem).__name__)


def _told(lines: Sequence[str], status: int) -> ResponseReturnValue:
    if wants_json():
        return {"problem": list(lines), "reference": request_reference()}, status
    title = _TITLES.get(status, "It did not work")
    if request_ctx.url_adapter is None:  # a host that is not served: no page can be linked to
        text = "\n".join((title, *lines, "", CAUTION, ""))
        return Response(text, status, mimetype="text/plain")
    return (
        render_template(
            "layout/problem.html", title=title, lines=lines, reference=request_reference()
        ),
        status,
    )
