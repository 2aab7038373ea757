"""A quarter's numbers as one tree: what every form of the report is made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.caution import CAUTION
from reports.documents.canonical import canonical_bytes

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime
    from decimal import Decimal

    from registry.domain.agreed import AgreedAction
    from registry.domain.directions import Direction
    from reports.tables.compare import ComparisonTable
    from reports.tables.completeness import Completeness
    from reports.tables.rates import Question, RateTable
    from reports.tables.readers import Agreement
    from reports.tables.run_table import RunTable
    from reports.tables.surgeon_table import SurgeonTable

CAUTIONS = (
    CAUTION,
    (
        "A grade is a finding on an image and not a harm; CT misses breaches and shows some that "
        "are not there."
    ),
    (
        "A rate depends on who was operated on, on who was imaged and on how screws were read; a "
        "difference between groups is an association and no effect, and nobody is ranked here."
    ),
)


@dataclass(frozen=True)
class Period:
    """Days of operation, both included, and how they are called: 2026Q3, the year to 2026Q3."""

    name: str
    first: date
    last: date


@dataclass(frozen=True)
class Spans:
    """The periods of a report: the quarter, the one before, the year that ends with it."""

    quarter: Period
    before: Period
    year: Period


@dataclass(frozen=True)
class PeriodRates:
    """One period at each cut-off: any, 2 mm and 4 mm, in this order."""

    period: Period
    tables: tuple[RateTable, ...]


@dataclass(frozen=True)
class QuarterRates:
    """Rates of the report; each table is the one that `rates` prints for its question.

    Attributes
    ----------
    periods : the quarter, the one before and the year, at each cut-off
    levels, medial, lateral : the quarter by level at the headline cut-off: all four walls, two
    techniques, guidance : the quarter within region, at the headline cut-off
    year_levels, year_medial, year_lateral, year_techniques, year_guidance : over the year
    directions : the quarter, a table a direction
    """

    periods: tuple[PeriodRates, ...]
    levels: RateTable
    medial: RateTable
    lateral: RateTable
    techniques: RateTable
    guidance: RateTable
    year_levels: RateTable
    year_medial: RateTable
    year_lateral: RateTable
    year_techniques: RateTable
    year_guidance: RateTable
    directions: Mapping[Direction, RateTable]

    def tables(self) -> dict[str, RateTable]:
        """Return every table by its name."""
        named = {
            f"{which} {table.question.threshold.value}": table
            for which, held in zip(("quarter", "before", "year"), self.periods, strict=True)
            for table in held.tables
        }
        named |= {
            "level": self.levels,
            "level medial": self.medial,
            "level lateral": self.lateral,
            "year level": self.year_levels,
            "year level medial": self.year_medial,
            "year level lateral": self.year_lateral,
            "technique": self.techniques,
            "guidance": self.guidance,
            "year technique": self.year_techniques,
            "year guidance": self.year_guidance,
        }
        return named | {f"wall {wall.value}": found for wall, found in self.directions.items()}


@dataclass(frozen=True)
class Readers:
    """How readers agree on the quarter's screws: the numbers, each pair's mm, who is left out."""

    whole: Agreement
    pairs: tuple[tuple[float, float], ...]
    left_out: Mapping[str, int]


@dataclass(frozen=True)
class PolicyItem:
    """One finding that the unit's policy names: its number, screw, what met it, how far it is."""

    number: int
    level: str
    side: str
    rule_met: str
    state: str

    def as_json(self) -> dict[str, object]:
        """Return it as the report's JSON holds it."""
        return {
            "number": self.number,
            "level": self.level,
            "side": self.side,
            "rule_met": self.rule_met,
            "state": self.state,
        }


@dataclass(frozen=True)
class Waiting:
    """A provisional screw: where it is and what it waits for; no case is named."""

    level: str
    side: str
    state: str


@dataclass(frozen=True)
class SecondReads:
    """Second and repeated readings of the quarter, by why they were asked for.

    Attributes
    ----------
    first_readings : that stand
    share_percent, seed : of the random draw; None where none was made
    by_reason : asked, done, owed, closed without one
    """

    first_readings: int
    share_percent: str | None
    seed: str | None
    by_reason: tuple[tuple[str, int, int, int, int], ...]


@dataclass(frozen=True)
class Work:
    """What was not settled when the numbers were made.

    Attributes
    ----------
    policy : findings that the unit's policy names, in the quarter's cases
    has_policy : the unit has stated one
    provisional : graded screws of which another reading is owed
    second_reads : None where none was asked for and nothing was read
    surgeons, answered : responsible surgeons of the quarter; those who looked through their data
    reply_until : last day on which they might; None where it was not laid before them
    """

    policy: tuple[PolicyItem, ...]
    has_policy: bool
    provisional: tuple[Waiting, ...]
    second_reads: SecondReads | None
    surgeons: int
    answered: int
    reply_until: date | None


@dataclass(frozen=True)
class Actions:
    """What the unit agreed to do, as it stood at an instant.

    Attributes
    ----------
    from_last_time : of earlier quarters: open, or ended since this one began
    agreed : for this quarter
    until : the instant: the quarter's seal, or the report's own where it has none
    """

    from_last_time: tuple[AgreedAction, ...]
    agreed: tuple[AgreedAction, ...]
    until: datetime

    def as_json(self) -> dict[str, object]:
        """Return both lists as the report's JSON holds them."""
        return {
            "from_last_time": [_as_json(each) for each in self.from_last_time],
            "agreed": [_as_json(each) for each in self.agreed],
        }


def _as_json(action: AgreedAction) -> dict[str, object]:
    return {
        "number": action.number,
        "quarter": action.period,
        "what": action.what,
        "owner": action.owner,
        "due_on": action.due_on.isoformat(),
        "state": action.state.value,
        "ended_on": action.ended_on.isoformat() if action.ended_on else None,
        "came_of_it": action.came_of_it,
        "replaced_by": action.replaced_by,
    }


@dataclass(frozen=True)
class Standard:
    """The unit's own standard for its headline rate: per cent, and where it comes from."""

    percent: Decimal
    words: str


@dataclass(frozen=True)
class MadeWith:
    """What numbers depend on: the unit's settings as canonical JSON, and versions by name."""

    settings: str
    versions: Mapping[str, str]


@dataclass(frozen=True)
class QuarterReport:
    """Everything that a quarter's report says, at full precision.

    Attributes
    ----------
    unit : its name
    spans : the periods
    made_at : the instant that the ledger's state is of
    question : the headline, over the quarter
    window_days : first and last day after the operation for an audit scan
    scale : grading scale
    standard : the unit's own; None where it has stated none
    change : the quarter less the one before; None where either has no screw
    """

    unit: str
    spans: Spans
    made_at: datetime
    question: Question
    window_days: tuple[int, int]
    scale: str
    standard: Standard | None
    rates: QuarterRates
    change: ComparisonTable | None
    surgeons: SurgeonTable
    run: RunTable
    readers: Readers
    completeness: Completeness
    work: Work
    actions: Actions
    made_with: MadeWith

    @property
    def headline(self) -> tuple[RateTable, ...]:
        """Return the headline's table of the quarter, of the one before and of the year."""
        return tuple(
            next(
                table
                for table in held.tables
                if table.question.threshold is self.question.threshold
            )
            for held in self.rates.periods
        )


def numbers(report: QuarterReport) -> dict[str, object]:
    """Return the numbers as the commands print them, by the command's name."""
    work = report.work
    return {
        "quarter": report.spans.quarter.name,
        "from": report.spans.quarter.first.isoformat(),
        "to": report.spans.quarter.last.isoformat(),
        "unit": report.unit,
        "made_at": report.made_at.isoformat(),
        "standard_percent": report.standard.percent if report.standard else None,
        "rates": {name: table.as_json() for name, table in report.rates.tables().items()},
        "compare": report.change.as_json() if report.change else None,
        "surgeons": report.surgeons.as_json(),
        "runs": report.run.as_json(),
        "agreement": report.readers.whole.as_json(),
        "not_compared": dict(report.readers.left_out),
        "completeness": report.completeness.as_json(),
        "policy": [item.as_json() for item in work.policy],
        "provisional": [[each.level, each.side, each.state] for each in work.provisional],
        "second_readings": [list(each) for each in work.second_reads.by_reason]
        if work.second_reads
        else [],
        "replies": {
            "surgeons": work.surgeons,
            "answered": work.answered,
            "until": work.reply_until.isoformat() if work.reply_until else None,
        },
        "actions": report.actions.as_json(),
        "settings": report.made_with.settings,
        "versions": dict(report.made_with.versions),
    }


def as_json_bytes(report: QuarterReport) -> bytes:
    """Return the report's numbers as canonical JSON: the same bytes for the same numbers."""
    return canonical_bytes(numbers(report))
