"""The page of one arrival: what lies in it, what is asked of a person, what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.actions.arrivals import one_arrival
from registry.actions.what_was_left import what_was_left
from registry.domain.access import Deed, Reach, reach
from registry.domain.arrivals import ArrivalState
from registry.store.queries.arrivals import scan_of_arrival
from registry.web.context import current_ledger, current_viewer
from registry.web.looking import note_matching
from registry.web.pages.scans.asked import Asked, asked_of
from registry.web.pages.scans.lines import goes_on_by_itself, line_of
from registry.web.pages.scans.sizes import MOST_ASKED, PIECE_BYTES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.actions.arrival_survey import SurveyedSeries
    from registry.actions.arrivals import Arrival
    from registry.domain.access import Viewer

ARRIVAL = "scans/arrival.html"
RULE = (
    "The proposed one is axial, makes one volume, is not called intra-operative where another is "
    "not, and is original before derived; of those the finest slices, then the sharpest kernel, "
    "then the most slices."
)


@dataclass(frozen=True)
class SeriesLine:
    """A line of the table of series.

    Attributes
    ----------
    may_be_read : in words, or why it may not
    is_open : a person may choose it
    is_proposed : the rule chose it
    is_chosen : by the person, or by the rule while nobody did
    """

    series: SurveyedSeries
    may_be_read: str
    is_open: bool
    is_proposed: bool
    is_chosen: bool


def arrival_page(arrival_id: int, asked: Asked | None = None) -> dict[str, Any]:
    """Return what the template needs; `asked` holds what a person has sent already."""
    ledger, viewer = current_ledger(), current_viewer()
    arrival = one_arrival(ledger, viewer, arrival_id)
    is_asked = arrival.state is ArrivalState.LOOKED_THROUGH
    asked = asked or (asked_of(ledger, viewer, arrival, {}) if is_asked else None)
    if asked is not None:
        note_matching([case.case_id for case in asked.cases])
    line = line_of(arrival)
    sees_cases = reach(viewer, Deed.SEE_CASES) is Reach.ALL
    scan = None
    if arrival.scan_id is not None:
        with ledger.reading() as session:
            scan = scan_of_arrival(session, viewer, arrival_id)
    return {
        "arrival": arrival,
        "line": line,
        "series": _series_lines(arrival, asked),
        "asked": asked,
        "rule": RULE,
        "follows": goes_on_by_itself(arrival),
        "may_be_dropped": not arrival.state.is_ended,
        "reads": reads(viewer),
        "shows_case": sees_cases,
        "shows_reason": sees_cases or (scan is not None and scan.is_matched_by_viewer),
        "scan": scan,
        "left_behind": what_was_left(ledger, scan.image_digest) if scan else None,
        "piece_bytes": PIECE_BYTES,
        "most_asked": MOST_ASKED,
    }


def reads(viewer: Viewer) -> bool:
    """Say whether the viewer may come to read the screws of a scan."""
    return viewer.person_id is not None and reach(viewer, Deed.READ_SCREWS) is Reach.ALL


def _series_lines(arrival: Arrival, asked: Asked | None) -> Sequence[SeriesLine]:
    if arrival.survey is None:
        return ()
    chosen = arrival.survey.chosen
    if arrival.decision is not None:
        chosen = arrival.decision.series
    elif asked is not None:
        chosen = asked.series
    return [
        SeriesLine(
            series=each,
            may_be_read=_may_be_read(each, arrival.state),
            is_open=each.is_readable or each.may_be_confirmed,
            is_proposed=each.number == arrival.survey.chosen,
            is_chosen=each.number == chosen,
        )
        for each in arrival.survey.series
    ]


def _may_be_read(series: SurveyedSeries, state: ArrivalState) -> str:
    if series.is_attached and state is ArrivalState.READ:
        return "attached"
    if series.is_attached:
        return "it is attached already"
    if not series.is_readable:
        return series.why_not
    return "yes"
