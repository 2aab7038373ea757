"""Actions of a quarter: agreed on, ticked off with what came of them, replaced; none is deleted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.agree import (
    actions_of,
    agree_on,
    end_action,
    one_action,
    possible_owners,
    replace_action,
)
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError, ConflictError
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.pages.agreed.forms import OWNERS, action_fields, end_fields, replace_fields

if TYPE_CHECKING:
    from collections.abc import Mapping

    from flask.typing import ResponseReturnValue

    from registry.domain.problems import ProblemError

agreed_page = Blueprint("agreed", __name__, template_folder="templates", url_prefix="/quarters")

_SEALS = needs(Deed.SEAL, at_least=Reach.ALL)


@agreed_page.get("/<period>/actions")
@_SEALS
def listed(period: str) -> ResponseReturnValue:
    """List a quarter's actions, and ask for another."""
    return render_template("agreed/list.html", **_list(period, {}, {}))


@agreed_page.post("/<period>/actions")
@_SEALS
def add(period: str) -> ResponseReturnValue:
    """Keep an action."""
    try:
        agree_on(current_ledger(), current_viewer(), period, request.form, now())
    except (BadInputError, ConflictError) as problem:
        values = _list(period, request.form, _errors(problem))
        return page_with(problem, "agreed/list.html", **values)
    return redirect(url_for(".listed", period=period), 303)


@agreed_page.get("/actions/<int:number>")
@_SEALS
def show(number: int) -> ResponseReturnValue:
    """Show an action, and ask what came of it."""
    return render_template("agreed/action.html", **_one(number, {}, {}, ""))


@agreed_page.post("/actions/<int:number>/end")
@_SEALS
def end(number: int) -> ResponseReturnValue:
    """Keep that it is done, or will not be."""
    try:
        end_action(current_ledger(), current_viewer(), number, request.form, now())
    except (BadInputError, ConflictError) as problem:
        return _again(problem, number, "end")
    return _back(number)


@agreed_page.post("/actions/<int:number>/replace")
@_SEALS
def replace(number: int) -> ResponseReturnValue:
    """Put another in its place."""
    try:
        other = replace_action(current_ledger(), current_viewer(), number, request.form, now())
    except (BadInputError, ConflictError) as problem:
        return _again(problem, number, "replace")
    return _back(other)


def _back(number: int) -> ResponseReturnValue:
    found = one_action(current_ledger(), current_viewer(), number, now())
    return redirect(url_for(".listed", period=found.period), 303)


def _again(problem: ProblemError, number: int, form: str) -> ResponseReturnValue:
    values = _one(number, request.form, _errors(problem), form)
    return page_with(problem, "agreed/action.html", **values)


def _errors(problem: ProblemError) -> dict[str, str]:
    return {fault.where: fault.what for fault in getattr(problem, "faults", ())}


def _list(period: str, typed: Mapping[str, str], errors: Mapping[str, str]) -> dict[str, object]:
    return {
        "found": actions_of(current_ledger(), current_viewer(), period, now()),
        "fields": action_fields(typed, errors),
        **_owners(),
    }


def _one(
    number: int, typed: Mapping[str, str], errors: Mapping[str, str], form: str
) -> dict[str, object]:
    """Return an action's page; what was typed stands in the form that it was typed into."""
    found = one_action(current_ledger(), current_viewer(), number, now())
    stands = {"what": found.what, "owner": found.owner, "due_on": found.due_on.isoformat()}
    ended = (typed, errors) if form == "end" else ({}, {})
    replaced = (typed, errors) if form == "replace" else (stands, {})
    return {
        "action": found,
        "end_fields": end_fields(*ended, today()),
        "replace_fields": replace_fields(*replaced),
        **_owners(),
    }


def _owners() -> dict[str, object]:
    return {
        "owners": possible_owners(current_ledger(), current_viewer()),
        "owners_list": OWNERS,
    }
