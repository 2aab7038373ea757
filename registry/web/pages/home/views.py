"""The first page: what each role sits down to, in words and tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from flask import Blueprint, render_template

from registry.actions.agree import own_actions
from registry.actions.homes import ledger_state, own_work, scans_waiting, to_read, unit_work
from registry.domain.access import Deed, Reach, Role, reach
from registry.domain.problems import NotAllowedError
from registry.domain.scales import greatest_extent
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.guard import signed_in
from reports.tables.rate_words import interval_words, percent, period_words

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date
    from decimal import Decimal

    from flask.typing import ResponseReturnValue

    from registry.domain.access import Viewer
    from registry.store.queries.replies import ReplyScrew
    from reports.tables.rates import RateTable

home = Blueprint("home", __name__, template_folder="templates")


@home.get("/")
@signed_in
def start() -> ResponseReturnValue:
    """Show the sections of each of the viewer's roles on one page."""
    ledger, viewer, at = current_ledger(), current_viewer(), now()
    if not viewer.roles:
        raise NotAllowedError("this account has no role; ask the steward for one")
    own = own_work(ledger, viewer, at) if _is_surgeon(viewer) else None
    leads = reach(viewer, Deed.LAY_BEFORE_SURGEONS) is Reach.ALL
    return render_template(
        "home/home.html",
        actions=own_actions(ledger, viewer, at),
        today=today(),
        may_end_actions=leads,
        own=own,
        own_rates=[_rate_line(table) for table in own.rates] if own else [],
        own_cases=_case_lines(own.quarter.screws, ledger.settings.headline_mm) if own else [],
        unit=unit_work(ledger, viewer, at) if leads else None,
        reading=to_read(ledger, viewer, at) if _is_reader(viewer) else None,
        state=ledger_state(ledger, viewer, at) if _is_steward(viewer) else None,
        scans=scans_waiting(ledger, viewer),
        may_enter=reach(viewer, Deed.ENTER_CASES) is not Reach.NONE,
        is_clinical=bool(viewer.roles - {Role.STEWARD}),
        headline=ledger.settings.headline_mm,
    )


def _is_surgeon(viewer: Viewer) -> bool:
    return Role.SURGEON in viewer.roles and viewer.person_id is not None


def _is_reader(viewer: Viewer) -> bool:
    return viewer.person_id is not None and reach(viewer, Deed.READ_SCREWS) is Reach.ALL


def _is_steward(viewer: Viewer) -> bool:
    return reach(viewer, Deed.MANAGE_ACCOUNTS) is Reach.ALL


@dataclass(frozen=True)
class RateLine:
    """Own rate of a period, as it is printed.

    Attributes
    ----------
    period, event, method : in words
    counts : patients, placed, imaged, graded, breached
    rate, interval : in per cent, or why there is none
    """

    period: str
    event: str
    method: str
    counts: tuple[int, ...]
    rate: str
    interval: str


def _rate_line(table: RateTable) -> RateLine:
    row = table.rows[0] if table.rows else None
    rate, interval, counts = "none graded", "", (0, 0, 0, 0, 0)
    if row is not None:
        counts = (row.patients, row.placed, row.imaged, row.graded, row.breached)
        if row.rate is not None:
            rate = percent(row.rate)
        elif row.graded:
            rate = "too few for a rate"
        if row.low is not None and row.high is not None:
            interval = f"{percent(row.low)} to {percent(row.high)}"
    return RateLine(
        period=period_words(table),
        event=table.question.event.words(),
        method=interval_words(table),
        counts=counts,
        rate=rate,
        interval=interval,
    )


@dataclass
class CaseLine:
    """A case of the quarter, and what was found of its screws."""

    case_id: int
    reference: str
    operated_on: date
    is_imaged: bool
    placed: int = 0
    read: int = 0
    beyond: list[ReplyScrew] = field(default_factory=list)


def _case_lines(screws: Iterable[ReplyScrew], headline_mm: Decimal) -> list[CaseLine]:
    found: dict[int, CaseLine] = {}
    for screw in screws:
        line = found.setdefault(
            screw.case_id,
            CaseLine(
                screw.case_id, screw.case_reference, screw.operated_on, screw.scan_id is not None
            ),
        )
        line.placed += 1
        line.read += screw.state is not None
        extent = greatest_extent(screw.extents_mm) if screw.is_assessable else None
        if extent is not None and extent >= headline_mm:
            line.beyond.append(screw)
    return list(found.values())
