"""A quarter in six plain sentences, each made from its numbers and carrying its interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.directions import Direction
from reports.statistics.agreement import Weights
from reports.tables.compare_words import points, span
from reports.tables.rate_words import percent
from reports.tables.reader_words import number_words, share_words

if TYPE_CHECKING:
    from reports.documents.quarter import QuarterReport
    from reports.tables.rates import RateRow, RateTable


def six_sentences(report: QuarterReport) -> tuple[str, ...]:
    """Return what a committee should have read if it reads nothing else."""
    return (
        _quarter(report),
        _change(report),
        _year(report),
        _walls(report),
        _readers(report),
        _missing(report),
    )


def rate_with_interval(row: RateRow) -> str:
    """Return a rate: 4.1% (95% interval 1.6% to 9.8%); why there is none where there is none."""
    if row.rate is None:
        return "too few graded screws for a rate" if row.graded else "no graded screw"
    if row.low is None or row.high is None:
        return f"{percent(row.rate)}%"
    return f"{percent(row.rate)}% (95% interval {percent(row.low)}% to {percent(row.high)}%)"


def event_words(report: QuarterReport) -> str:
    """Return what counts: a breach of 2 mm or more."""
    words = report.question.event.words()
    return words if words.startswith("any") else f"a {words}"


def _quarter(report: QuarterReport) -> str:
    row = report.headline[0].rows[0]
    name = report.spans.quarter.name
    if not row.graded:
        return f"In {name} no screw is graded, of {row.placed} placed."
    patients = (
        f"; {row.patients_with_event} of {_counted(row.patients, 'patient')} had at least one"
        f"{_share(row)}"
    )
    return (
        f"In {name}, {row.breached} of {_counted(row.graded, 'graded screw')} had "
        f"{event_words(report)}: {rate_with_interval(row)}{patients}."
    )


def _share(row: RateRow) -> str:
    share = row.patient_share
    if share.value is None or share.low is None or share.high is None:
        return ""
    limits = f"{percent(share.low)}% to {percent(share.high)}%"
    return f", {percent(share.value)}% (95% interval {limits})"


def _change(report: QuarterReport) -> str:
    name = report.spans.before.name
    pair = report.change.pairs[0] if report.change and report.change.pairs else None
    found = pair.compared if pair else None
    if pair is None or found is None or found.difference.value is None:
        return f"Against {name} nothing can be said: one of the two has too few graded screws."
    made = found.difference
    value, low, high = made.value, made.low, made.high
    told = f"{points(value)} percentage points (95% interval {span(made, points)})"
    if low is not None and high is not None and not low <= 0 <= high:
        way = "higher" if value is not None and value > 0 else "lower"
        verdict = f"the rate is {way} beyond what chance alone would often do"
    else:
        verdict = "0 lies within the interval, so the two may not differ"
    b = pair.b
    return (
        f"Against {name} ({percent(b.rate or 0.0)}%, {b.breached} of {b.graded}) that is a change "
        f"of {told}: {verdict}."
    )


def _year(report: QuarterReport) -> str:
    year, row = report.spans.year, report.headline[2].rows[0]
    return (
        f"Over the year from {year.first} to {year.last} it was {row.breached} of {row.graded}: "
        f"{rate_with_interval(row)}."
    )


def _walls(report: QuarterReport) -> str:
    def told(table: RateTable) -> str:
        row = table.rows[0]
        return f"{row.breached} of {row.graded}, {rate_with_interval(row)}"

    walls = report.rates.directions
    medial, lateral = walls[Direction.MEDIAL], walls[Direction.LATERAL]
    return (
        f"Towards the canal (medial) it was {told(medial)}; away from it (lateral), "
        f"{told(lateral)}."
    )


def _readers(report: QuarterReport) -> str:
    found = report.readers.whole
    if not found.screws:
        return "No screw of the quarter was read twice blind, so how readers agree is not known."
    kappa = number_words(found.kappa[Weights.QUADRATIC])
    return (
        f"Two readers, blind, gave {_counted(found.screws, 'screw')} the same grade in "
        f"{share_words(found.observed)}; weighted kappa {kappa}, 95% intervals."
    )


def _missing(report: QuarterReport) -> str:
    found = report.completeness
    if not found.placed or found.if_none is None or found.if_all is None:
        return "No screw was placed at a level that has a pedicle grade."
    left = found.placed - found.graded
    graded = f"{found.graded} of {_counted(found.placed, 'placed screw')} are graded"
    if not left:
        return f"All {_counted(found.placed, 'placed screw')} are graded: nothing is missing."
    return (
        f"{graded}; whatever the other {left} would show, the rate of all lies between "
        f"{percent(found.if_none)}% and {percent(found.if_all)}%."
    )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
