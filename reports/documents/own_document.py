"""Own results as a document: which sections there are, and what each says."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.scales import SCALES
from reports.charts.funnel import funnel_chart
from reports.charts.rates import rates_chart
from reports.charts.runs import difference_chart, sequential_chart
from reports.documents.blocks import Document, Figure, Heading, Paragraph, Picture, Points, Table
from reports.documents.own import OWN_CAUTIONS
from reports.documents.own_parts import (
    beside_table,
    level_table,
    notes_blocks,
    point_tables,
    screw_table,
    sentences,
)
from reports.documents.quarter import CAUTIONS
from reports.tables.rate_words import period_of
from reports.tables.run_words import QUARTER_HEADINGS, quarter_lines

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from reports.charts.rates import Chart
    from reports.documents.blocks import Block
    from reports.documents.own import OwnReport, OwnScrew

NO_PICTURE = "Where there is none, the screw was read elsewhere or its images are not held here."
NO_PICTURES = (
    "There is no picture of any: they were read elsewhere, or their images are not held here."
)


def own_document(report: OwnReport, pictures: Mapping[int, bytes]) -> Document:
    """Return own results as a document; `pictures` are PNG, by the number of their reading."""
    return Document(
        title="Own results in pedicle screw placement",
        subtitle=(
            f"{report.surgeon}, {report.unit}: {period_of(report.question)}, as the ledger stood "
            f"on {report.made_at:%Y-%m-%d at %H:%M} UTC"
        ),
        author=report.unit,
        made_at=report.made_at,
        foot=CAUTIONS[0],
        blocks=(*numbers_blocks(report), *breached_blocks(report, pictures), *rest_blocks(report)),
    )


def numbers_blocks(report: OwnReport) -> list[Block]:
    """Return what is said in numbers: in short, beside the unit, by level, over time, missing."""
    blocks: list[Block] = [
        Heading("In short"),
        Points(sentences(report)),
        Paragraph(OWN_CAUTIONS[0], is_note=True),
    ]
    if report.headline() is None:
        return blocks
    return [
        *blocks,
        *_context(report),
        *_levels(report),
        *_run(report),
        *_missing(report),
        *_provisional(report),
    ]


def _context(report: OwnReport) -> list[Block]:
    shown = [sentence for table in report.whole for sentence in table.withheld]
    return [
        Heading("Your rate beside the unit's"),
        beside_table(report),
        *_notes(dict.fromkeys(shown)),
        *_figure(
            funnel_chart(report.surgeons),
            "Your dot; full line across, the unit; bars, its lines; rings, peers.",
        ),
        *point_tables(report),
        *_notes(report.surgeons.notes()),
    ]


def _levels(report: OwnReport) -> list[Block]:
    return [
        Heading("Entry technique by level"),
        Paragraph(
            "How a screw was entered was chosen by level and by patient: a difference between "
            "columns is an association and no effect."
        ),
        Table(
            "Placed: breached of graded, by level and entry technique",
            report.crossed.heading(),
            report.crossed.lines(),
        ),
        *_figure(rates_chart(report.levels), "Dots are rates, lines their 95% intervals."),
        level_table(report.levels, "Your rates by level"),
        level_table(report.techniques, "Your rates by entry technique"),
        *_notes(report.levels.notes()),
    ]


def _run(report: OwnReport) -> list[Block]:
    table = report.run
    blocks: list[Block] = [Heading("Over time")]
    if not table.steps:
        return [*blocks, Paragraph(" ".join(table.withheld) or "No screw is graded yet.")]
    return [
        *blocks,
        Paragraph(
            "A signal is a reason to look, in the order data, case mix, structure, process, person."
        ),
        *_figure(difference_chart(table), "Rises with each breach more than expected."),
        *_figure(
            sequential_chart(table),
            "Upper line, for doubled odds; lower line, for halved odds; dashed, their limits.",
        ),
        Table("By quarter", QUARTER_HEADINGS, tuple(map(tuple, quarter_lines(table)))),
        *_notes(table.notes()),
    ]


def _missing(report: OwnReport) -> list[Block]:
    blocks: list[Block] = [Heading("What was not imaged, and what has no grade")]
    if not report.ungraded:
        return [*blocks, Paragraph("Each of your placed screws has a grade.")]
    rows = tuple((each.why, str(each.screws), str(each.cases)) for each in report.ungraded)
    blocks += [
        Paragraph(
            "A rate counts graded screws alone: where few are, it says more about who was scanned "
            "than about the screws."
        ),
        Table("Placed screws without a grade", ("why", "screws", "cases"), rows),
    ]
    if report.unscanned:
        cases = tuple(
            (each.case_reference, each.operated_on.isoformat(), each.why, str(each.screws))
            for each in report.unscanned
        )
        heading = ("case", "operated on", "why", "screws")
        blocks.append(Table("Your cases without an audit scan", heading, cases, texts=3))
    return blocks


def _provisional(report: OwnReport) -> list[Block]:
    blocks: list[Block] = [Heading("What is provisional")]
    if not report.provisional:
        return [*blocks, Paragraph("Nothing: of no graded screw is another reading owed.")]
    return [
        *blocks,
        Paragraph(
            "Of these screws another reading or an adjudication is owed; until then the first "
            "reading counts, and the numbers above may change."
        ),
        screw_table(report.provisional, "Provisional screws"),
    ]


def breached_blocks(report: OwnReport, pictures: Mapping[int, bytes]) -> list[Block]:
    """Return the own screws that stand outside, and what they were read on where that is held."""
    blocks = outside_blocks(report)
    for screw in report.breached:
        blocks += _pictured(screw, pictures)
    return blocks


def outside_blocks(report: OwnReport) -> list[Block]:
    """Return the own screws that stand outside as a table, without what they were read on."""
    if report.headline() is None:
        return []
    event = report.question.event.words()
    blocks: list[Block] = [Heading("Your screws that stand outside")]
    if not report.breached:
        return [*blocks, Paragraph(f"None of your graded screws has {article(event)}.")]
    return [
        *blocks,
        Paragraph(
            f"Every graded screw with {article(event)}, the latest first. {_shown_on(report)}"
        ),
        screw_table(report.breached, f"Screws with {article(event)}"),
    ]


def _shown_on(report: OwnReport) -> str:
    """Return what their pictures show, and why some or all have none."""
    held = [screw.reading_id is not None for screw in report.breached]
    said = []
    if any(held):
        said.append(
            "A picture shows the section that decided, the cortex as it was marked and the screw's "
            "edge, and the plane along the screw."
        )
    if not all(held):
        said.append(NO_PICTURE if any(held) else NO_PICTURES)
    return " ".join(said)


def _pictured(screw: OwnScrew, pictures: Mapping[int, bytes]) -> list[Block]:
    picture = None if screw.reading_id is None else pictures.get(screw.reading_id)
    if picture is None:
        return []
    name = f"{screw.name} of case {screw.case_reference}"
    said = f"{name}, {screw.operated_on}: {screw.found}; {screw.placed_by}"
    return [Picture(picture, f"{name}, {screw.which}: {screw.found}", f"{said}; {screw.which}.")]


def article(event: str) -> str:
    """Return an event with its article: a breach of 2 mm or more; any breach."""
    if event.startswith("any "):
        return event
    return f"{'an' if event[0] in 'aeiou' else 'a'} {event}"


def rest_blocks(report: OwnReport) -> list[Block]:
    """Return the own notes, where asked for, and how it was made."""
    return [
        *notes_blocks(report.notes),
        Heading("How it was made"),
        Points(_methods(report)),
        Table(
            "Versions",
            ("of", "version"),
            tuple(report.versions.items()),
            texts=2,
        ),
        Heading("Cautions"),
        Points(OWN_CAUTIONS),
    ]


def _methods(report: OwnReport) -> tuple[str, ...]:
    return (
        (
            "Numbers are those of the commands and pages rates, surgeons and runs for the same "
            "days and cut-off; you are counted as the responsible surgeon."
        ),
        (
            "A breach is the greatest of the four pedicle extents from the cut-off on; grades are "
            f"of the {SCALES[report.scale].title} scale. Several readings of a screw count by the "
            "unit's rule, and who read it is not told."
        ),
        (
            "What seems wrong can be put right on the case's own page and, while a quarter lies "
            "before its surgeons, answered with a blind re-reading."
        ),
    )


def _figure(chart: Chart | None, caption: str) -> list[Block]:
    return [] if chart is None else [Figure(chart, caption)]


def _notes(told: Iterable[str]) -> list[Block]:
    return [Paragraph(sentence, is_note=True) for sentence in told]
