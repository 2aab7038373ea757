"""What a quarter is measured against, and how: definitions, methods, settings, versions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.scales import SCALES
from reports.documents.blocks import Heading, Paragraph, Points, Table
from reports.documents.quarter import CAUTIONS
from reports.documents.quarter_words import event_words
from reports.documents.setting_words import setting_rows
from reports.tables.rate_words import percent

if TYPE_CHECKING:
    from reports.documents.blocks import Block
    from reports.documents.quarter import QuarterReport, Standard


def standard(report: QuarterReport) -> list[Block]:
    """Return what the quarter is measured against: the unit's own standard, and the unit itself."""
    year = report.headline[2].rows[0]
    own = "" if year.rate is None else f", {percent(year.rate)}% over the year"
    target = report.surgeons.target
    lines = "" if target is None else f" ({percent(target)}%)"
    stated = (
        [] if report.standard is None else [Paragraph(against_standard(report, report.standard))]
    )
    outside = (
        ""
        if report.standard
        else " No outside rate is taken as a standard: published series differ in who was imaged, "
        "how walls were measured and what counted."
    )
    return [
        Heading("What it is measured against"),
        *stated,
        Paragraph(
            f"Against the unit itself: its own rate{own}, and the quarter before. Surgeons stand "
            f"against the unit's rate of the quarter{lines}.{outside}"
        ),
    ]


def against_standard(report: QuarterReport, stated: Standard) -> str:
    """Return on which side of the unit's standard the quarter's interval lies."""
    row = report.headline[0].rows[0]
    limit = f"{stated.percent.normalize():f}%"
    said = f"The unit's own standard: at most {limit} with {event_words(report)}"
    said += f" ({stated.words})." if stated.words else "."
    if row.rate is None or row.low is None or row.high is None:
        return f"{said} The quarter has too few graded screws to be held against it."
    share = float(stated.percent) / 100
    if row.high <= share:
        verdict = "lies at or below it: the standard is kept"
    elif row.low > share:
        verdict = "lies above it: the standard is not kept"
    else:
        verdict = "holds it: whether the standard is kept cannot be told from this quarter alone"
    return f"{said} The quarter's interval, {percent(row.low)}% to {percent(row.high)}%, {verdict}."


def methods(report: QuarterReport) -> list[Block]:
    """Return definitions, methods, settings, versions and cautions."""
    window = report.window_days
    definitions = (
        (
            "Counted: each screw that was placed in an operation of the period and in the patient "
            "at closure, at a level that has a pedicle grade."
        ),
        (
            f"Audit scan: the first adequate post-operative CT from day {window[0]} to day "
            f"{window[1]} after the operation that was not made for symptoms."
        ),
        (
            "Extent: millimetres by which the screw stands outside the outer cortex in one "
            "direction, in whole tenths."
        ),
        (
            "Breach: the greatest of the four pedicle extents, which the "
            f"{SCALES[report.scale].title} scale grades too; any is above 0, the "
            "others from the cut-off on. Planned exits count."
        ),
        "Graded: every wall that the level needs was measured; all four, at S1 medial and caudal.",
        (
            "What counts of several readings: one alone counts; two that agree are averaged; else "
            "an adjudicator decides, and until then the first counts, marked provisional."
        ),
    )
    ways = (
        (
            "Intervals of rates: score intervals on effective screws, patients as clusters, the "
            "correlation within patients pooled over the whole ledger up to the period's end."
        ),
        (
            "Differences: Newcombe's method 10 on effective screws; ratios: delta method on the "
            "logarithm; both allow for patients with screws in both groups."
        ),
        "Funnel: exact binomial limits on effective screws, 95% and 99.8%.",
        (
            "Readers: kappa, AC1, correlations and limits of agreement by leaving out one patient "
            "at a time."
        ),
        f"Below {report.question.minimum} graded screws counts are given and no rate.",
    )
    settings = tuple(setting_rows(report.made_with.settings))
    versions = tuple(report.made_with.versions.items())
    return [
        Heading("How it was made"),
        Heading("Definitions", level=2),
        Points(definitions),
        Heading("Methods", level=2),
        Points(ways),
        Heading("Settings and versions", level=2),
        Table("Settings that numbers depend on", ("setting", "value"), settings, 2, wide=(0, 1)),
        Table("Versions", ("of", "version"), versions, texts=2),
        Heading("Cautions"),
        Points(CAUTIONS),
    ]
