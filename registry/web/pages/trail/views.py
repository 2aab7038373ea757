"""The event trail: a list with filters, and each event with what changed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from flask import Blueprint, render_template, request

from registry.domain.access import Deed
from registry.domain.problems import BadInputError, Fault, NotFoundError
from registry.store.queries.trail import TrailAsked, trail_line, trail_lines
from registry.web.construct_fields import errors_by_place
from registry.web.context import current_ledger, current_viewer
from registry.web.errors import page_with
from registry.web.fields import Field
from registry.web.guard import needs
from registry.web.input import LARGEST_NUMBER
from registry.web.looking import note_look
from registry.web.paging import PAGE_SIZE, Page

if TYPE_CHECKING:
    from collections.abc import Mapping

    from flask.typing import ResponseReturnValue

trail = Blueprint("trail", __name__, template_folder="templates", url_prefix="/trail")

_FILTERS = ("record", "actor", "first", "last", "case")
_LONGEST = 120
_DAY_LABELS = {"first": "From day", "last": "To day"}


@dataclass(frozen=True)
class _Days:
    """The days that were asked for, the last one included."""

    first: date | None
    last: date | None


@trail.get("/")
@needs(Deed.SEE_TRAIL)
def listed() -> ResponseReturnValue:
    """List events, the latest first; `?record=`, `actor=`, `first=`, `last=`, `case=` narrow it."""
    given = {name: request.args.get(name, "").strip()[:_LONGEST] for name in _FILTERS}
    fields = _fields(given, {})
    try:
        asked = _asked(given)
    except BadInputError as problem:
        fields = _fields(given, errors_by_place(problem.faults))
        page: Page[object] = Page([], 1, 1, 0)
        return page_with(problem, "trail/list.html", fields=fields, page=page, given={})
    number = _page_number(request.args.get("page"))
    with current_ledger().reading() as session:
        lines, total = trail_lines(
            session, current_viewer(), asked, (number - 1) * PAGE_SIZE, PAGE_SIZE
        )
    pages = max(1, -(-total // PAGE_SIZE))
    if number > pages:
        raise NotFoundError(f"there is no page {number} of this list; it has {pages}")
    kept = {name: value for name, value in given.items() if value}
    return render_template(
        "trail/list.html", fields=fields, page=Page(lines, number, pages, total), given=kept
    )


@trail.get("/<int:number>")
@needs(Deed.SEE_TRAIL)
def event(number: int) -> ResponseReturnValue:
    """Show one event: who, when, why, and what was there before and after."""
    with current_ledger().reading() as session:
        line = trail_line(session, current_viewer(), number)
    if line.case_id is not None:
        note_look(line.case_id)
    return render_template("trail/event.html", line=line)


@trail.app_template_filter("trail_moment")
def trail_moment(written: str) -> str:
    """Return an instant of the trail in the unit's own time: 2026-03-02 10:30:07."""
    zone = ZoneInfo(current_ledger().settings.zone)
    return f"{datetime.fromisoformat(written).astimezone(zone):%Y-%m-%d %H:%M:%S}"


def _asked(given: Mapping[str, str]) -> TrailAsked:
    days = _Days(_day("first", given["first"]), _day("last", given["last"]))
    zone = ZoneInfo(current_ledger().settings.zone)

    def start(day: date | None) -> datetime | None:
        return None if day is None else datetime.combine(day, time(), zone)

    number = given["case"]
    is_number = number.isascii() and number.isdigit() and int(number) <= LARGEST_NUMBER
    if number and not is_number:
        raise BadInputError(Fault("is no case", "Case", "open the list from the case's page"))
    last = None if days.last is None else days.last + timedelta(days=1)
    return TrailAsked(
        given["record"],
        given["actor"],
        start(days.first),
        start(last),
        int(number) if number else None,
    )


def _day(name: str, text: str) -> date | None:
    if not text:
        return None
    label = _DAY_LABELS[name]
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise BadInputError(Fault(f"'{text}' is not a day", label, "use YYYY-MM-DD")) from None
    if not 1900 <= found.year <= 9000:  # noqa: PLR2004 - years of a unit
        raise BadInputError(Fault(f"'{text}' is not a day of the unit's", label, "check the year"))
    return found


def _page_number(asked: str | None) -> int:
    if asked is None:
        return 1
    if not asked.isascii() or not asked.isdigit() or not 1 <= int(asked) <= LARGEST_NUMBER:
        raise NotFoundError("there is no such page of this list")
    return int(asked)


def _fields(given: Mapping[str, str], errors: Mapping[str, str]) -> list[Field]:
    hint = "such as screw:12, or screw for every screw"
    return [
        Field("record", "Record", given["record"], hint=hint),
        Field("actor", "Who did it", given["actor"], hint="the account's name"),
        *(
            Field(name, label, given[name], kind="date", error=errors.get(label, ""))
            for name, label in _DAY_LABELS.items()
        ),
    ]
