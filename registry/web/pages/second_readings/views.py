"""Show why second readings were asked for, what became of them, and what waits for whom."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, render_template

from registry.actions.second_readings import second_readings
from registry.domain.access import Deed, Reach
from registry.web.context import current_ledger, current_viewer, now
from registry.web.guard import needs

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

second_readings_page = Blueprint("second_readings", __name__, template_folder="templates")


@second_readings_page.get("/second-readings")
@needs(Deed.ORDER_READINGS, at_least=Reach.ALL)
def show() -> ResponseReturnValue:
    """Show every quarter, the latest first, and every reader."""
    ledger = current_ledger()
    return render_template(
        "second_readings/quarters.html",
        found=second_readings(ledger, current_viewer(), now()),
        overdue_days=ledger.settings.overdue_days,
    )
