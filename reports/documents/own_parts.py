"""Sentences and tables of own results, in the words of the commands whose numbers they hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.documents.blocks import Heading, Paragraph, Table
from reports.tables.rate_words import near_percent, percent, stratum_heading
from reports.tables.splits import Split
from reports.tables.surgeon_table import Position
from reports.tables.surgeon_words import affected, between, imaging_words, quotient, share_imaged

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.documents.blocks import Block
    from reports.documents.own import NoteOnPaper, OwnReport, OwnScrew
    from reports.tables.rates import RateRow, RateTable

_COUNTS = (
    "patients",
    "with one (%; interval)",
    "placed",
    "imaged",
    "graded",
    "breached",
    "rate %",
    "95% interval %",
)


def sentences(report: OwnReport) -> tuple[str, ...]:
    """Return what matters most, each with its interval where it has one."""
    row = report.headline()
    if row is None:
        return ("You were the responsible surgeon of no counted screw in this period.",)
    event = report.question.event.words()
    said = [
        (
            f"You placed {_counted(row.placed, 'screw')}; {row.imaged} are on an audit scan and "
            f"{row.graded} are graded, of {_counted(row.patients, 'patient')}."
        ),
        f"{row.breached} of {row.graded} graded: {event}; {_rate(row)}.",
        _of_unit(report.headline(of_unit=True)),
        *_lies(report),
        *_over_time(report),
    ]
    missing = row.placed - row.graded
    owed = len(report.provisional)
    said.append(
        f"{_counted(missing, 'placed screw')} without a grade; {_counted(owed, 'graded screw')} "
        "provisional."
    )
    return tuple(said)


def _of_unit(row: RateRow | None) -> str:
    if row is None:
        return "The unit's rate of these days is not shown to you; why stands below."
    return f"The unit over the same days: {_rate(row)}, of {_counted(row.graded, 'graded screw')}."


def _rate(row: RateRow) -> str:
    if row.rate is None:
        return "too few for a rate"
    if row.low is None or row.high is None:
        return f"{percent(row.rate)}%"
    return f"{percent(row.rate)}% (95% interval {percent(row.low)} to {percent(row.high)})"


def _lies(report: OwnReport) -> list[str]:
    told = []
    for point in report.surgeons.points:
        if point.position is Position.INSIDE:
            told.append(
                "Your point lies between the unit's lines, which proves nothing either way."
            )
        elif point.position is not Position.NOT_DRAWN:
            told.append(f"Your point lies {point.position}: a question, and no finding.")
    return told


def _over_time(report: OwnReport) -> list[str]:
    signals = sum(len(chart.signals) for chart in (report.run.worse, report.run.better))
    if not report.run.steps:
        return []
    told = _counted(signals, "signal") if signals else "no signal"
    return [f"Over {_counted(len(report.run.steps), 'operation')} the charts give {told}."]


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _cells(row: RateRow) -> tuple[str, ...]:
    """Return a row's cells under `_COUNTS`."""
    counts = (row.patients, affected(row), row.placed, row.imaged, row.graded, row.breached)
    rate = "-" if row.rate is None else percent(row.rate)
    limits = "-"
    if row.low is not None and row.high is not None:
        limits = f"{percent(row.low)} to {percent(row.high)}"
    return (*map(str, counts), rate, limits)


def beside_table(report: OwnReport) -> Table:
    """Return the own rate and the unit's at each cut-off."""
    rows = []
    for own, whole in zip(report.own, report.whole, strict=True):
        event = own.question.event.words()
        for whose, table in (("you", own), ("the unit", whole)):
            cells = (
                _cells(table.rows[0]) if table.rows else ("not shown", *["-"] * (len(_COUNTS) - 1))
            )
            rows.append((event, whose, *cells))
    return Table("Your rate and the unit's", ("breach", "whose", *_COUNTS), tuple(rows), texts=2)


def point_tables(report: OwnReport) -> list[Table]:
    """Return the own point against the unit's lines with who was imaged, and peers if any."""
    rows = [
        line
        for point in report.surgeons.points
        for line in (
            ("95% lines, %", between(point.limits_95)),
            ("99.8% lines, %", between(point.limits_998)),
            ("where your point lies", str(point.position)),
            ("breaches expected", "-" if point.expected is None else f"{point.expected:.1f}"),
            ("observed over expected", quotient(point.observed_over_expected)),
            ("placed screws that are imaged, %", share_imaged(point)),
            ("cases by reason of the audit scan, or why there is none", imaging_words(point)),
        )
    ]
    tables = [Table("Your point", ("of", "value"), tuple(rows), texts=2)]
    if report.surgeons.peers:
        peers = tuple((peer.code, near_percent(peer.rate)) for peer in report.surgeons.peers)
        tables.append(Table("Peers, in no order", ("code", "rate %"), peers))
    return tables


def level_table(table: RateTable, caption: str) -> Table:
    """Return own rates by one split, the surgeon's own name left out."""
    (split,) = (each for each in table.question.by if each is not Split.SURGEON)
    rows = tuple((row.stratum[split], *_cells(row)) for row in table.rows)
    return Table(caption, (stratum_heading(split), *_COUNTS), rows)


_OF_WORDS = (3, 5, 6)
"""Columns of a table of screws whose cells may take lines: placed by, found, what counts is."""


def screw_table(screws: Iterable[OwnScrew], caption: str) -> Table:
    """Return screws a line each."""
    heading = ("case", "operated on", "screw", "placed by", "grade", "found", "what counts is")
    rows = tuple(
        (
            screw.case_reference,
            screw.operated_on.isoformat(),
            screw.name,
            screw.placed_by,
            screw.grade or "none",
            screw.found,
            f"{screw.state}, provisional" if screw.is_provisional else screw.state,
        )
        for screw in screws
    )
    return Table(caption, heading, rows, texts=len(heading), wide=_OF_WORDS)


def notes_blocks(notes: Iterable[NoteOnPaper]) -> list[Block]:
    """Return own reflections and actions; nothing where none was asked for."""
    held = list(notes)
    reflections = [note for note in held if not note.is_action]
    actions = [note for note in held if note.is_action]
    blocks: list[Block] = []
    if reflections:
        blocks.append(Heading("Reflections"))
    for note in reflections:
        blocks.append(Heading(f"Reflection of {note.noted_on}", level=2))
        blocks += [Paragraph(line) for line in note.words.splitlines() if line]
    if actions:
        heading = ("what", "from", "due", "done", "what came of it")
        rows = tuple(
            (
                " ".join(note.words.split()),
                note.noted_on.isoformat(),
                note.due_on.isoformat() if note.due_on else "not said",
                note.done_on.isoformat() if note.done_on else "not yet",
                " ".join(note.outcome.split()) or "-",
            )
            for note in actions
        )
        table = Table("Your actions", heading, rows, texts=len(heading), wide=(0, 4))
        blocks += [Heading("Actions"), table]
    return blocks
