"""A quarter before its seal: a surgeon's own data, and what the quality lead waits for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, redirect, render_template, request, url_for

from registry.actions.closing import sealed_quarters
from registry.actions.evidence import with_pictures
from registry.actions.replies import (
    answer_round,
    ask_again,
    is_surgeon,
    lay_before_surgeons,
    own_quarter,
    quarter_state,
    quarters,
)
from registry.domain.access import Deed, Reach, reach
from registry.domain.directions import Direction
from registry.domain.problems import BadInputError, ConflictError
from registry.domain.reply import ROLE_OF
from registry.domain.scales import SCALES, grade
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.guard import needs, signed_in
from registry.web.input import whole_number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flask.typing import ResponseReturnValue

    from registry.store.queries.replies import ReplyScrew

reply = Blueprint("reply", __name__, template_folder="templates", url_prefix="/quarters")

_LAYS = needs(Deed.LAY_BEFORE_SURGEONS, at_least=Reach.ALL)


@reply.get("/")
@signed_in
def listed() -> ResponseReturnValue:
    """List the quarters that can be replied to or closed."""
    viewer = current_viewer()
    return render_template(
        "reply/quarters.html",
        quarters=quarters(current_ledger(), viewer, now()),
        sealed=sealed_quarters(current_ledger(), viewer),
        lays=reach(viewer, Deed.LAY_BEFORE_SURGEONS) is Reach.ALL,
        replies=is_surgeon(viewer),
    )


@reply.get("/<period>/reply")
@needs(Deed.REPLY)
def own(period: str) -> ResponseReturnValue:
    """Show a surgeon their own data of a quarter."""
    return render_template("reply/own.html", **_own(period))


@reply.post("/<period>/reply")
@needs(Deed.REPLY)
def answer(period: str) -> ResponseReturnValue:
    """Keep that the surgeon has looked."""
    words = request.form.get("words", "")
    try:
        answer_round(current_ledger(), current_viewer(), period, words, now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, "reply/own.html", **_own(period, words=words))
    return redirect(url_for(".own", period=period), 303)


@reply.post("/<period>/again")
@needs(Deed.REPLY)
def again(period: str) -> ResponseReturnValue:
    """Ask for a blind re-reading of a screw."""
    screw_id = whole_number(request.form.get("screw"), "screw")
    why = request.form.get("why", "")
    try:
        ask_again(current_ledger(), current_viewer(), period, screw_id, why, now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, "reply/own.html", **_own(period, screw_id=screw_id, why=why))
    return redirect(url_for(".own", period=period), 303)


@reply.get("/<period>")
@_LAYS
def state(period: str) -> ResponseReturnValue:
    """Show how far a quarter is on its way to its seal."""
    return render_template("reply/state.html", **_state(period))


@reply.post("/<period>")
@_LAYS
def lay(period: str) -> ResponseReturnValue:
    """Lay a quarter before its surgeons."""
    try:
        lay_before_surgeons(current_ledger(), current_viewer(), period, now())
    except (BadInputError, ConflictError) as problem:
        return page_with(problem, "reply/state.html", **_state(period))
    return redirect(url_for(".state", period=period), 303)


def _own(
    period: str, *, words: str | None = None, screw_id: int | None = None, why: str = ""
) -> dict[str, object]:
    found = own_quarter(current_ledger(), current_viewer(), period, now())
    said = found.answered[1] if found.answered else ""
    return {
        "own": found,
        "lines": [(screw, _grade(screw), _words(screw)) for screw in found.screws],
        "pictures": _pictures(found.screws),
        "can_ask": [screw for screw in found.screws if _can_ask(screw)],
        "scale": SCALES[current_ledger().settings.scale],
        "words": (said or "") if words is None else words,
        "chosen": screw_id,
        "why": why,
    }


def _pictures(screws: Sequence[ReplyScrew]) -> list[tuple[ReplyScrew, str, list[int]]]:
    """Return the screws that stand outside, what counts of each, and what it was read on."""
    beyond = [screw for screw in screws if any(screw.extents_mm.values())]
    asked = {number for screw in beyond for number in screw.reading_ids}
    pictured = with_pictures(current_ledger(), current_viewer(), asked)
    return [
        (screw, _words(screw), held)
        for screw in beyond
        if (held := [number for number in screw.reading_ids if number in pictured])
    ]


def _can_ask(screw: ReplyScrew) -> bool:
    return screw.again in ROLE_OF and not screw.is_asked_again


def _grade(screw: ReplyScrew) -> str:
    if not screw.is_assessable:
        return ""
    return grade(screw.extents_mm, screw.level, current_ledger().settings.scale) or ""


def _words(screw: ReplyScrew) -> str:
    if screw.state is None:
        return "not read"
    if not screw.is_assessable:
        return "not assessable"
    beyond = [
        f"{direction.replace('_', ' ')} {extent} mm"
        for direction in Direction
        if (extent := screw.extents_mm.get(direction)) is not None and extent > 0
    ]
    return ", ".join(beyond) or ("contained" if screw.is_contained else "partly read")


def _state(period: str) -> dict[str, object]:
    return {"state": quarter_state(current_ledger(), current_viewer(), period, now())}
