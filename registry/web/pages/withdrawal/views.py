"""Withdraw a patient, with the password entered again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template, request

from registry.actions.withdraw import WHAT_STAYS, WhoWithdraws, withdraw
from registry.domain.access import Deed, Reach
from registry.domain.problems import BadInputError, Fault, NotFoundError
from registry.web.context import current_ledger, current_viewer, now
from registry.web.errors import page_with
from registry.web.fields import Field
from registry.web.guard import confirmed, needs
from registry.web.logs import log

if TYPE_CHECKING:
    from collections.abc import Mapping

    from flask.typing import ResponseReturnValue

withdrawal = Blueprint("withdrawal", __name__, template_folder="templates")

_AGAIN = "The reference or number once more"


@withdrawal.get("/withdrawal")
@needs(Deed.WITHDRAW, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Ask who is withdrawn and why."""
    return render_template("withdrawal/withdraw.html", fields=_fields({}), what_stays=WHAT_STAYS)


@withdrawal.post("/withdrawal")
@confirmed()
@needs(Deed.WITHDRAW, at_least=Reach.ALL)
def act() -> ResponseReturnValue:
    """Withdraw the patient for good and say what that came to."""
    who = WhoWithdraws(
        request.form.get("case_ref", "").strip(), request.form.get("patient_ref", "").strip()
    )
    try:
        _require_twice(who, request.form.get("again", "").strip())
        done = withdraw(
            current_ledger(), current_viewer(), who, request.form.get("because", ""), now()
        )
    except (BadInputError, NotFoundError) as problem:
        return page_with(
            problem,
            "withdrawal/withdraw.html",
            fields=_fields(request.form),
            what_stays=WHAT_STAYS,
        )
    log("patient withdrawn")
    return render_template("withdrawal/done.html", done=done, what_stays=WHAT_STAYS)


def _require_twice(who: WhoWithdraws, again: str) -> None:
    """Raise BadInputError where what names the patient was not typed twice alike."""
    if again != (who.case_ref or who.patient_ref):
        fault = Fault("is not what was typed above", _AGAIN, "type the reference or number again")
        raise BadInputError(fault)


def _fields(form: Mapping[str, str]) -> list[Field]:
    return [
        Field(
            "case_ref",
            "Case reference",
            form.get("case_ref", ""),
            hint="Any case of the patient; or leave it empty and give the number.",
        ),
        Field("patient_ref", "Patient's hospital number", form.get("patient_ref", "")),
        Field("again", _AGAIN, hint="To be sure that it is this patient: it cannot be taken back."),
        Field(
            "because",
            "Reason",
            form.get("because", ""),
            hint="Stays in the event trail; name nobody.",
        ),
    ]
