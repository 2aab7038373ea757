"""A surgeon's own results as one tree: what page, PDF and command are made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.documents.quarter import CAUTIONS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from reports.tables.rates import Question, RateRow, RateTable
    from reports.tables.run_table import RunTable
    from reports.tables.surgeon_table import SurgeonTable
    from reports.tables.technique_levels import TechniqueLevels

OWN_CAUTIONS = (
    *CAUTIONS,
    (
        "These are your own results, for your own learning and whoever you choose to show them "
        "to; they measure no fitness to practise, and no person is ranked by them."
    ),
)


@dataclass(frozen=True)
class OwnScrew:
    """One own screw.

    Attributes
    ----------
    screw_id, case_id, case_reference, operated_on : which, of which case
    level, side, number : where
    entry_technique, guidance : as recorded
    diameter_mm : None where not stated
    found, grade : of what counts; '' for no grade
    state : how what counts came about
    is_provisional : another reading is owed
    reading_id : the reading whose picture is shown, None without one
    which : of how many readings that is which, such as `reading 1 of 2`
    """

    screw_id: int
    case_id: int
    case_reference: str
    operated_on: date
    level: str
    side: str
    number: int
    entry_technique: str
    guidance: str
    diameter_mm: float | None
    found: str
    grade: str
    state: str
    is_provisional: bool
    reading_id: int | None = None
    which: str = ""

    @property
    def name(self) -> str:
        """Return such as `L4 left, screw 2`."""
        name = f"{self.level} {'left' if self.side == 'L' else 'right'}"
        return f"{name}, screw {self.number}" if self.number > 1 else name

    @property
    def placed_by(self) -> str:
        """Return technique, guidance and diameter in words."""
        size = "" if self.diameter_mm is None else f", {self.diameter_mm:.1f} mm"
        way = self.entry_technique.replace("_", " ")
        return f"{way}, {self.guidance.replace('_', ' ')}{size}"

    def as_json(self) -> dict[str, object]:
        """Return it as the JSON of own results holds it."""
        return {
            "case": self.case_reference,
            "operated_on": self.operated_on.isoformat(),
            "level": self.level,
            "side": self.side,
            "number": self.number,
            "entry_technique": self.entry_technique,
            "guidance": self.guidance,
            "found": self.found,
            "grade": self.grade or None,
            "state": self.state,
            "provisional": self.is_provisional,
        }


@dataclass(frozen=True)
class Ungraded:
    """Why placed screws have no grade: the reason, how many screws, of how many cases."""

    why: str
    screws: int
    cases: int


@dataclass(frozen=True)
class Unscanned:
    """An own case without an audit scan: its placed screws, and why there is none."""

    case_reference: str
    operated_on: date
    screws: int
    why: str


@dataclass(frozen=True)
class NoteOnPaper:
    """An own reflection or action, where its author asked for it."""

    is_action: bool
    noted_on: date
    words: str
    due_on: date | None
    done_on: date | None
    outcome: str


@dataclass(frozen=True)
class OwnReport:
    """Everything that own results say, at full precision.

    Attributes
    ----------
    unit, surgeon : names
    made_at : the instant that the ledger's state is of
    question : the headline, with the last day that it was answered to
    scale : grading scale
    own, whole : own rates and the unit's, a table a cut-off; of the unit no row where it may not
        be shown
    levels, techniques : own rates by level and by entry technique
    crossed : entry technique by level
    surgeons : the own point with its lines
    run : own screws over time
    breached : the own screws that have the event, the latest first
    provisional : graded screws of which another reading is owed
    ungraded, unscanned : why screws have no grade; cases without an audit scan
    notes : only where asked for
    versions : by name
    """

    unit: str
    surgeon: str
    made_at: datetime
    question: Question
    scale: str
    own: tuple[RateTable, ...]
    whole: tuple[RateTable, ...]
    levels: RateTable
    techniques: RateTable
    crossed: TechniqueLevels
    surgeons: SurgeonTable
    run: RunTable
    breached: tuple[OwnScrew, ...]
    provisional: tuple[OwnScrew, ...]
    ungraded: tuple[Ungraded, ...]
    unscanned: tuple[Unscanned, ...]
    notes: tuple[NoteOnPaper, ...]
    versions: Mapping[str, str]

    def headline(self, *, of_unit: bool = False) -> RateRow | None:
        """Return the row at the question's own cut-off; None where there is none to show."""
        tables = self.whole if of_unit else self.own
        (found,) = (t for t in tables if t.question.threshold is self.question.threshold)
        return found.rows[0] if found.rows else None


def numbers(report: OwnReport) -> dict[str, object]:
    """Return the numbers as the commands print them, by the command's name; no own note."""
    return {
        "unit": report.unit,
        "made_at": report.made_at.isoformat(),
        "rates": {table.question.threshold.value: table.as_json() for table in report.own},
        "rates_of_the_unit": {
            table.question.threshold.value: table.as_json() for table in report.whole
        },
        "rates_by_level": report.levels.as_json(),
        "rates_by_entry_technique": report.techniques.as_json(),
        "surgeons": report.surgeons.as_json(),
        "runs": report.run.as_json(),
        "breached": [screw.as_json() for screw in report.breached],
        "provisional": [screw.as_json() for screw in report.provisional],
        "without_a_grade": [
            {"why": each.why, "screws": each.screws, "cases": each.cases}
            for each in report.ungraded
        ],
        "without_a_scan": [
            {
                "case": each.case_reference,
                "operated_on": each.operated_on.isoformat(),
                "screws": each.screws,
                "why": each.why,
            }
            for each in report.unscanned
        ],
        "versions": dict(report.versions),
    }
