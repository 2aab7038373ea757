"""The report's sections on readers, completeness, the unit's policy and what is not settled."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from reports.documents.blocks import Heading, Paragraph, Table
from reports.tables.completeness_words import (
    PUBLISHED,
    assumed_rows,
    bound_rows,
    gap_rows,
    step_rows,
    summary,
)
from reports.tables.reader_words import chance_rows, limits_rows, millimetre_rows
from reports.tables.reader_words import summary as readers_summary

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.documents.blocks import Block
    from reports.documents.quarter import QuarterReport

SIDES = {"L": "left", "R": "right"}


def readers(report: QuarterReport, figure: Sequence[Block]) -> list[Block]:
    """Return how readers agree, on blind readings of the same scan."""
    found = report.readers.whole
    blocks: list[Block] = [Heading("How readers agree"), Paragraph(readers_summary(found))]
    if found.screws:
        blocks += [
            Table(
                "Grades: first reading in rows, second in columns",
                ("first reading", *(f"second {grade}" for grade in found.grades)),
                tuple(
                    (grade, *map(str, row))
                    for grade, row in zip(found.grades, found.table, strict=True)
                ),
            ),
            Table(
                "Corrected for chance",
                ("statistic", "value (95% interval)"),
                tuple(chance_rows(found)),
            ),
            *figure,
            Table(
                "Differences in mm",
                ("statistic", "value (95% interval)"),
                tuple(limits_rows(found)),
            ),
            Table(
                "Correlation of the mm",
                ("statistic", "all pairs (95% interval)", "any breach (95% interval)"),
                tuple(millimetre_rows(found)),
            ),
        ]
    left = "; ".join(f"{why}: {count}" for why, count in sorted(report.readers.left_out.items()))
    said = (
        "Blind readings of the audit scan only, patients as clusters. Why a screw was read twice "
        "matters: what the rule chooses is harder than the rest."
    )
    said += f" Read twice and not compared: {left}." if left else ""
    return [*blocks, Paragraph(said, is_note=True)]


def completeness(report: QuarterReport) -> list[Block]:
    """Return what is missing, and how much it could change the rate."""
    found = report.completeness
    blocks: list[Block] = [Heading("What is missing"), Paragraph(summary(found))]
    if not found.placed:
        return blocks
    steps = tuple((name, str(count), share) for name, count, share in step_rows(found))
    gaps = tuple(
        (why, str(screws), "-" if cases is None else str(cases))
        for why, screws, cases in gap_rows(found)
    )
    assumed = tuple((why, rate, str(screws)) for why, rate, screws in assumed_rows(found))
    blocks.append(Table("Step by step", ("step", "screws", "of the placed"), steps))
    if gaps:
        blocks.append(Table("Why not graded", ("reason", "screws", "cases"), gaps))
    blocks.append(
        Table("The rate, and its bounds", ("breached", "share"), tuple(bound_rows(found)))
    )
    if assumed:
        name = "Under assumptions that nobody can check"
        blocks.append(Table(name, ("assumption", "rate (95% interval)", "screws"), assumed, 1))
    return [*blocks, Paragraph(PUBLISHED, is_note=True)]


def policy(report: QuarterReport) -> list[Block]:
    """Return the findings that the unit's own policy names."""
    work = report.work
    blocks: list[Block] = [Heading("The unit's policy for findings that cannot wait")]
    if not work.policy:
        none = (
            "No finding of the quarter met it." if work.has_policy else "The unit has stated none."
        )
        return [*blocks, Paragraph(none)]
    states = Counter(item.state for item in work.policy)
    told = ", ".join(f"{count} {state}" for state, count in sorted(states.items()))
    rows = tuple(
        (str(item.number), f"{item.level} {SIDES[item.side]}", item.rule_met, item.state)
        for item in work.policy
    )
    return [
        *blocks,
        Paragraph(f"Findings of the quarter's screws that met it: {len(work.policy)}; {told}."),
        Table("Findings by number", ("finding", "screw", "what met it", "state"), rows, 4, (2, 3)),
    ]


def waiting(report: QuarterReport) -> list[Block]:
    """Return what was not settled: provisional screws, second readings, the surgeons' replies."""
    work = report.work
    blocks: list[Block] = [Heading("What is not settled"), Paragraph(_replies(report))]
    if work.second_reads:
        rows = tuple((why, *map(str, counts)) for why, *counts in work.second_reads.by_reason)
        found = work.second_reads
        said = f"First readings that stand: {found.first_readings}."
        if found.seed is not None:
            said += f" Random share {found.share_percent}%, drawn by seed {found.seed}."
        blocks.append(Paragraph(said))
        if rows:
            heading = ("asked for because", "asked", "done", "owed", "closed")
            blocks.append(Table("Second and repeated readings", heading, rows))
    if not work.provisional:
        return [*blocks, Paragraph("No screw is provisional.")]
    counted = Counter((each.level, SIDES[each.side], each.state) for each in work.provisional)
    rows = tuple((f"{level} {side}", state, str(n)) for (level, side, state), n in counted.items())
    return [
        *blocks,
        Paragraph(
            f"Provisional, for another reading is owed and the first counts so far: "
            f"{len(work.provisional)}."
        ),
        Table("Provisional screws", ("screw", "waits for", "screws"), rows, texts=2),
    ]


def _replies(report: QuarterReport) -> str:
    work = report.work
    if work.reply_until is None:
        return "The quarter has not been laid before its surgeons yet."
    return (
        f"Laid before its surgeons, who may reply until {work.reply_until}: {work.answered} of "
        f"{work.surgeons} have said that they looked through their data."
    )
