"""A quarter's report as a document: which sections there are, and what each says."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.funnel import funnel_chart
from reports.charts.levels import levels_chart
from reports.charts.rates import rates_chart
from reports.charts.readers import difference_chart
from reports.charts.runs import difference_chart as run_chart
from reports.documents.blocks import Document, Figure, Heading, Paragraph, Points, Table
from reports.documents.quarter import CAUTIONS
from reports.documents.quarter_actions import actions
from reports.documents.quarter_methods import methods, standard
from reports.documents.quarter_parts import (
    change_table,
    direction_table,
    period_table,
    rate_table,
    surgeon_tables,
    wall_table,
)
from reports.documents.quarter_words import six_sentences
from reports.documents.quarter_work import completeness, policy, readers, waiting
from reports.tables.compare_words import sentence
from reports.tables.run_words import QUARTER_HEADINGS, quarter_lines
from reports.tables.surgeon_words import CONVERSATION, SIGNALS

if TYPE_CHECKING:
    from reports.charts.rates import Chart
    from reports.documents.blocks import Block
    from reports.documents.quarter import QuarterReport
    from reports.tables.rates import RateTable

_DOTS = "Dots are rates, lines their 95% intervals; where these overlap, rates may not differ."


def quarter_document(report: QuarterReport) -> Document:
    """Return the report; the same document for the same numbers."""
    spans = report.spans
    return Document(
        title=f"Pedicle screw placement, {spans.quarter.name}",
        subtitle=(
            f"{report.unit}: operations from {spans.quarter.first} to {spans.quarter.last}, as the "
            f"ledger stood on {report.made_at:%Y-%m-%d at %H:%M} UTC"
        ),
        author=report.unit,
        made_at=report.made_at,
        foot=CAUTIONS[0],
        blocks=(
            *_summary(report),
            *_changes(report),
            *standard(report),
            *_levels(report),
            *_choices(report),
            *_directions(report),
            *_surgeons(report),
            *_run(report),
            *readers(report, _readers_figure(report)),
            *completeness(report),
            *policy(report),
            *waiting(report),
            *actions(report),
            *methods(report),
        ),
    )


def _summary(report: QuarterReport) -> list[Block]:
    return [
        Heading("In six sentences"),
        Points(six_sentences(report), is_numbered=True),
        Paragraph(CAUTIONS[0], is_note=True),
    ]


def _changes(report: QuarterReport) -> list[Block]:
    spans = report.spans
    blocks: list[Block] = [
        Heading("What changed"),
        Paragraph(
            f"{spans.quarter.name} beside the quarter before it and the year that ends with it, at "
            "each cut-off."
        ),
        period_table(report.rates.periods, "Rates of the quarter, the one before, and the year"),
    ]
    if report.change is None or not report.change.pairs:
        gone = "One of the two quarters has no placed screw, so they cannot be compared."
        return [*blocks, Paragraph(gone)]
    return [
        *blocks,
        *(Paragraph(sentence(pair)) for pair in report.change.pairs),
        change_table(report.change, f"{spans.quarter.name} less {spans.before.name}"),
        *_notes(report.change.notes()),
    ]


def _levels(report: QuarterReport) -> list[Block]:
    found, year = report.rates, report.spans.year.name
    blocks: list[Block] = [Heading("By level")]
    if not found.levels.rows:
        return [*blocks, Paragraph("No screw was placed in this quarter.")]
    name = report.spans.quarter.name
    return [
        *blocks,
        Paragraph(
            "Medial breaches, towards the canal, and lateral ones, away from it, are counted "
            "apart: a screw may have both."
        ),
        *_figure(levels_chart(found.medial, found.lateral), f"{name}, cranial on top. {_DOTS}"),
        wall_table(found.medial, found.lateral, f"Medial and lateral walls by level, {name}"),
        rate_table(found.levels, f"All four walls by level, {name}"),
        *_notes(found.levels.notes()),
        Heading(f"The same over {year}", level=2),
        *_figure(
            levels_chart(found.year_medial, found.year_lateral), f"{year}, cranial on top. {_DOTS}"
        ),
        wall_table(
            found.year_medial, found.year_lateral, f"Medial and lateral walls by level, {year}"
        ),
        rate_table(found.year_levels, f"All four walls by level, {year}"),
    ]


def _choices(report: QuarterReport) -> list[Block]:
    """Return entry technique and guidance, within region: the quarter, then the year."""
    found, year = report.rates, report.spans.year.name
    blocks: list[Block] = [
        Heading("By entry technique and guidance, within region"),
        Paragraph(
            "How a screw was entered and guided was chosen by level, by patient and by surgeon: a "
            "difference between rows is an association and no effect."
        ),
    ]
    for heading, quarter, whole in (
        ("Entry technique", found.techniques, found.year_techniques),
        ("Guidance", found.guidance, found.year_guidance),
    ):
        blocks += [
            Heading(heading, level=2),
            *_rates(quarter, f"{heading} within region, {report.spans.quarter.name}"),
            rate_table(whole, f"{heading} within region, {year}"),
        ]
    return blocks


def _rates(table: RateTable, name: str) -> list[Block]:
    if not table.rows:
        return [Paragraph("No screw was placed in this quarter.")]
    return [
        *_figure(rates_chart(table), _DOTS),
        rate_table(table, name),
        *_notes(table.notes()),
    ]


def _directions(report: QuarterReport) -> list[Block]:
    name = report.spans.quarter.name
    return [
        Heading("By direction"),
        Paragraph(
            "Each wall on its own; a screw counts in a direction only where that wall was "
            "measured. Anterior, lateral body wall and endplate enter no pedicle grade."
        ),
        direction_table(report, f"By direction, {name}"),
    ]


def _surgeons(report: QuarterReport) -> list[Block]:
    table = report.surgeons
    blocks: list[Block] = [Heading("Surgeons, as codes")]
    if not table.points:
        return [*blocks, Paragraph("No screw was placed in this quarter.")]
    against, likely = surgeon_tables(report)
    return [
        *blocks,
        Paragraph(
            "Codes are this report's own, in no order of merit, and other in each report. "
            + CONVERSATION
        ),
        *_figure(
            funnel_chart(table), "Each dot a surgeon; dashed, the 95% lines, full, the 99.8% lines."
        ),
        against,
        likely,
        Paragraph("What to look at, in this order, where a point lies beyond a line:"),
        Points(tuple(f"{name}: {words}." for name, words in SIGNALS), is_numbered=True),
        *_notes(table.notes()),
    ]


def _run(report: QuarterReport) -> list[Block]:
    table = report.run
    blocks: list[Block] = [Heading("Observed minus expected")]
    if not table.steps:
        return [*blocks, Paragraph(" ".join(table.withheld) or "No screw is graded yet.")]
    return [
        *blocks,
        *_figure(run_chart(table), "The unit's run over the year: rising is more than expected."),
        _quarters(report),
        *_notes(table.notes()),
    ]


def _quarters(report: QuarterReport) -> Table:
    rows = tuple(tuple(line) for line in quarter_lines(report.run))
    return Table("The year's quarters", QUARTER_HEADINGS, rows)


def _readers_figure(report: QuarterReport) -> list[Block]:
    found = report.readers
    chart = difference_chart(found.pairs, found.whole.limits)
    said = "Each ring a pair of readings; the larger, the more pairs there."
    return _figure(chart, f"{said} Upright, the lines' 95% intervals.")


def _figure(chart: Chart | None, caption: str) -> list[Block]:
    return [] if chart is None else [Figure(chart, caption)]


def _notes(sentences: list[str]) -> list[Block]:
    """Return a line each: a dozen sentences in one block are read by nobody."""
    return [Paragraph(sentence, is_note=True) for sentence in sentences]
