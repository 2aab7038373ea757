"""Show a crossed table, its chart, and the screws of its cells."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlencode

from flask import Blueprint, render_template, request

from registry.actions.count import periods_offered
from registry.actions.explore import cell_screws, explore, shown_screws
from registry.actions.look_at_case import look_at_cases
from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import BadInputError
from registry.web.context import current_ledger, current_viewer, now, today
from registry.web.errors import page_with
from registry.web.exploring import CAME, LIST, address_of, carried, own_address
from registry.web.guard import needs
from registry.web.pages.explore.forms import (
    ONLY_NAMES,
    asked_fields,
    asked_values,
    own_words,
    read_asked,
    read_cell,
    read_only,
)
from registry.web.pages.explore.lines import MOST_CELLS, cell_id, headings, lines
from registry.web.paging import page_of
from registry.web.question import counted_values
from registry.web.sent import chart_alone
from reports.charts.crossed import MOST_DRAWN, crossed_alternative, crossed_chart, is_drawn
from reports.tables.crossed import crossed_words
from reports.tables.rate_words import period_of, stratum_heading, words_of_rate

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue

    from registry.actions.explore import Asked, ListedScrew
    from reports.tables.crossed import Crossed

explore_page = Blueprint(
    "explore",
    __name__,
    template_folder="templates",
    static_folder="static",
    url_prefix="/explore",
)

_PAGE = "explore/explore.html"


@explore_page.get("")
@needs(Deed.SEE_SURGEONS)
def show() -> ResponseReturnValue:
    """Show what is asked, the table, a sentence and the chart."""
    ledger, viewer = current_ledger(), current_viewer()
    minimum = ledger.settings.minimum_graded
    offered = periods_offered(ledger, viewer, today())
    try:
        asked, found = _counted()
    except BadInputError as problem:
        fields = asked_fields(request.args, viewer, minimum, offered, problem.faults)
        return page_with(problem, _PAGE, fields=fields, found=None)
    values = asked_values(asked)
    placed = values | carried(request.args, (CAME,))
    cells = (len(found.rows) + 1) * (len(found.columns) + 1)
    return render_template(
        _PAGE,
        fields=asked_fields(request.args, viewer, minimum, offered),
        found=found,
        words=crossed_words(found.table.question),
        whose=own_words(asked),
        down=stratum_heading(found.table.question.by[0]),
        is_too_large=cells > MOST_CELLS,
        cells=cells,
        headings=headings(found),
        lines=lines(found, address_of("explore.screws", placed)) if cells <= MOST_CELLS else [],
        address=values,
        is_drawn=is_drawn(found),
        most_drawn=MOST_DRAWN,
        alternative=crossed_alternative(found),
        is_noted=_is_noted(),
        came=request.args.get(CAME, ""),
        own_address=own_address(request.args, counted_values(asked.question)),
        may_ask_rates=asked.own is None,
    )


@explore_page.get("/chart.svg")
@needs(Deed.SEE_SURGEONS)
def chart() -> ResponseReturnValue:
    """Return the chart; apart from the page, which need not wait for it."""
    return chart_alone(crossed_chart(_counted()[1]))


@explore_page.get("/screws")
@needs(Deed.SEE_SURGEONS)
def screws() -> ResponseReturnValue:
    """List the screws of a cell."""
    ledger, viewer = current_ledger(), current_viewer()
    asked = read_asked(request.args, viewer, ledger.settings.minimum_graded, of_cell=True)
    only = read_only(request.args)
    found = cell_screws(ledger, viewer, asked, read_cell(request.args, asked), today(), only)
    page = page_of(range(len(found.screws)), request.args.get("page"))
    items = range(page.first - 1, page.last)
    listed = shown_screws(ledger, viewer, asked.question, found, items)
    _note_looks(listed)
    values = carried(request.args, LIST)
    return render_template(
        "explore/screws.html",
        page=page,
        screws=listed,
        title=", ".join(found.row.stratum.values()) or "all screws",
        event=asked.question.event.words(),
        period=period_of(asked.question),
        whose=own_words(asked),
        told=words_of_rate(found.row),
        counts=found.counts,
        only=only,
        only_names=ONLY_NAMES,
        is_lead=asked.own is None,
        has_cases=any(screw.case_reference is not None for screw in listed),
        query=urlencode(values, doseq=True),
        without_page={name: said for name, said in values.items() if name not in {"page", "only"}},
        pager={name: said for name, said in values.items() if name != "page"},
        back=address_of(
            "explore.show",
            asked_values(asked) | carried(request.args, (CAME,)),
            cell_id(request.args),
        ),
    )


def _counted() -> tuple[Asked, Crossed]:
    ledger, viewer = current_ledger(), current_viewer()
    asked = read_asked(request.args, viewer, ledger.settings.minimum_graded)
    return asked, explore(ledger, viewer, asked, today())


def _is_noted() -> bool:
    """Return whether opening a cell costs the viewer the blindness of later readings."""
    viewer = current_viewer()
    may_read = reach(viewer, Deed.READ_SCREWS) is Reach.ALL and viewer.person_id is not None
    return may_read and reach(viewer, Deed.SEE_CASES) is Reach.ALL


def _note_looks(listed: list[ListedScrew]) -> None:
    """Note the look at cases of which the list says what was found."""
    cases = {screw.case_id for screw in listed if screw.case_reference is not None}
    if cases:
        look_at_cases(current_ledger(), current_viewer(), cases, now())
