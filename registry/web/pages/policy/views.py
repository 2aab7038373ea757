"""Findings that the unit's own policy names.

A reader sees the level, the side and what was measured: never whose screw it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.evidence import with_pictures
from registry.actions.policy import answer_finding, close_finding, findings, one_finding
from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import BadInputError, ConflictError
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import needs
from registry.web.input import whole_number
from registry.web.looking import note_look
from registry.web.pages.policy.forms import answer_fields, answer_of, typed_of, values_of
from registry.web.paging import page_of

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.domain.problems import ProblemError
    from registry.store.queries.findings import ListedFinding

policy_page = Blueprint("policy", __name__, template_folder="templates", url_prefix="/policy")


@policy_page.get("/")
@needs(Deed.ANSWER_FINDINGS)
def listed() -> ResponseReturnValue:
    """List the findings that the viewer may answer for, open ones first."""
    found = findings(current_ledger(), current_viewer())
    return render_template(
        "policy/list.html",
        page=page_of(found, request.args.get("page")),
        open_ones=sum(finding.closed_at is None for finding in found),
        policy=current_ledger().settings.policy(),
    )


@policy_page.get("/<int:finding_id>")
@needs(Deed.ANSWER_FINDINGS)
def show(finding_id: int) -> ResponseReturnValue:
    """Show the unit's words, and ask what was done."""
    found = one_finding(current_ledger(), current_viewer(), finding_id)
    _note_case(found)
    zone = current_ledger().settings.zone
    return render_template(
        "policy/finding.html",
        finding=found,
        has_picture=_has_picture(found),
        fields=answer_fields(values_of(found, zone), {}),
        may_close=_may_close(),
        closing_words="",
    )


@policy_page.post("/<int:finding_id>")
@needs(Deed.ANSWER_FINDINGS)
def answer(finding_id: int) -> ResponseReturnValue:
    """Keep what was done."""
    seen = whole_number(request.form.get("version"), "version")
    try:
        said = answer_of(request.form, current_ledger().settings.zone)
        answer_finding(
            current_ledger(), current_viewer(), finding_id, said, seen_version=seen, now=now()
        )
    except (BadInputError, ConflictError) as problem:
        return _again(problem, finding_id)
    return redirect(url_for(".listed"), 303)


@policy_page.post("/<int:finding_id>/close")
@needs(Deed.CLOSE_FINDINGS, at_least=Reach.ALL)
def close(finding_id: int) -> ResponseReturnValue:
    """Close a finding."""
    seen = whole_number(request.form.get("version"), "version")
    words = request.form.get("closing_words", "")
    try:
        close_finding(
            current_ledger(), current_viewer(), finding_id, words, seen_version=seen, now=now()
        )
    except (BadInputError, ConflictError) as problem:
        return _again(problem, finding_id)
    return redirect(url_for(".listed"), 303)


def _again(problem: ProblemError, finding_id: int) -> ResponseReturnValue:
    """Return the page with what was typed still in it, and what is wrong with it."""
    errors = {fault.where: fault.what for fault in getattr(problem, "faults", ())}
    found = one_finding(current_ledger(), current_viewer(), finding_id)
    _note_case(found)
    # The form that closes a finding sends no answer: the one that is kept stays in its fields.
    is_answer = "is_followed" in request.form
    held = request.form if is_answer else values_of(found, current_ledger().settings.zone)
    closing = request.form.get("closing_words", "")
    return page_with(
        problem,
        "policy/finding.html",
        finding=found,
        has_picture=_has_picture(found),
        fields=answer_fields(held, errors),
        may_close=_may_close(),
        closing_words=closing,
        stands=is_answer and isinstance(problem, ConflictError),
        unsaved=typed_of(request.form),
    )


def _note_case(found: ListedFinding) -> None:
    """Note that the page shows whose case it is, and what another has read of it."""
    if found.case_id is not None:
        note_look(found.case_id)


def _has_picture(found: ListedFinding) -> bool:
    return bool(with_pictures(current_ledger(), current_viewer(), [found.reading_id]))


def _may_close() -> bool:
    return reach(current_viewer(), Deed.CLOSE_FINDINGS) is Reach.ALL
