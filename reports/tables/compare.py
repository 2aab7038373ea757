"""Groups of screws against each other: differences and ratios of their rates, with p-values.

The groups are the values of one split. Patients are the clusters, also where the same patients
have screws of two groups.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, cast

import numpy as np

from registry.domain.problems import BadInputError, Fault
from registry.domain.words import folded
from reports.statistics.comparison import Compared, benjamini_hochberg, compare, holm
from reports.statistics.estimate import Estimate
from reports.statistics.trend import Trend, trend
from reports.tables.compare_words import method_words, name_of, notes, pair_cells
from reports.tables.counting import ScrewColumns
from reports.tables.rates import rates
from reports.tables.splits import IntervalName, Split, strata

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt
    import pandas as pd

    from reports.statistics.clustered import UnitClustering
    from reports.tables.counting import Cells
    from reports.tables.rates import Question, RateRow

_TWO = 2


@dataclass(frozen=True)
class ComparisonQuestion:
    """What is compared; BadInputError where it cannot be.

    Attributes
    ----------
    counting : how screws are counted, split by exactly one, with the clustered interval
    groups : values of the split; none for all that have a rate
    reference : the group that each other is compared with; empty for that with the most graded
        screws
    is_all_pairs : every group against every other instead
    """

    counting: Question
    groups: tuple[str, ...] = ()
    reference: str = ""
    is_all_pairs: bool = False

    def __post_init__(self) -> None:
        faults = []
        if len(self.counting.by) != 1:
            faults.append(Fault("groups are the values of one split", "by", "give exactly one"))
        if self.counting.interval is not IntervalName.CLUSTERED:
            faults.append(
                Fault("a comparison has patients as clusters", "interval", "leave it out")
            )
        if len(self.groups) == 1:
            mend = "give two or more, or none for all"
            faults.append(Fault(f"{self.groups[0]!r} alone compares with nothing", "groups", mend))
        if len(set(map(folded, self.groups))) < len(self.groups):
            faults.append(Fault("a group is named twice", "groups", "name each once"))
        if self.reference and folded(self.reference) not in set(map(folded, self.groups)):
            mend = "name it among the groups"
            faults.append(Fault(f"{self.reference!r} is not compared", "groups", mend))
        if faults:
            raise BadInputError(*faults)

    @property
    def split(self) -> Split:
        """By what the groups are told apart."""
        return self.counting.by[0]


@dataclass(frozen=True)
class Pair:
    """One group less another.

    Attributes
    ----------
    a, b : the groups' rates
    compared : None where either has fewer graded screws than the minimum
    shared_patients : with graded screws of both
    holm, benjamini_hochberg : adjusted p-values; None with one pair alone and without a p-value
    """

    a: RateRow
    b: RateRow
    compared: Compared | None
    shared_patients: int
    holm: float | None = None
    benjamini_hochberg: float | None = None

    def as_json(self) -> dict[str, object]:
        """Return both rates, their difference and their ratio."""
        found = self.compared
        return {
            "a": self.a.as_json(),
            "b": self.b.as_json(),
            "difference": (found.difference if found else Estimate()).as_json(),
            "ratio": (found.ratio if found else Estimate()).as_json(),
        }


@dataclass(frozen=True)
class ComparisonTable:
    """The answer.

    Attributes
    ----------
    asked : the question
    unit : the clustering of the event in the whole unit
    rows : the groups, in the order named, else that of the split
    others : values of the split that were not compared
    pairs : of groups
    trends : by group's name, over the quarters of the period; under '' all of them together
    second_reading : what is said where only some screws were read twice
    """

    asked: ComparisonQuestion
    unit: UnitClustering
    rows: tuple[RateRow, ...]
    others: tuple[str, ...]
    pairs: tuple[Pair, ...]
    trends: Mapping[str, Trend]
    second_reading: str = ""

    def as_json(self) -> dict[str, object]:
        """Return the table as `compare --format json` prints it.

        Of two groups one pair with its method; of more a list of pairs with adjusted p-values,
        and the trends.
        """
        method = method_words(self)
        if len(self.pairs) == 1:
            return {**self.pairs[0].as_json(), "method": method}
        return {
            "comparisons": [
                {
                    **pair.as_json(),
                    "p": {
                        "alone": pair.compared.p_value if pair.compared else None,
                        "holm": pair.holm,
                        "benjamini_hochberg": pair.benjamini_hochberg,
                    },
                }
                for pair in self.pairs
            ],
            "trends": [
                {
                    "group": name or None,
                    "quarters": found.quarters,
                    "odds_ratio_per_quarter": found.odds_ratio.as_json(),
                    "p": found.p_value,
                }
                for name, found in self.trends.items()
            ],
            "method": method,
        }

    def as_csv(self) -> str:
        """Return a heading and a line a pair, unrounded; a cell without a value is empty."""
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows(pair_cells(self.pairs))
        return text.getvalue()

    def notes(self) -> list[str]:
        """Return the sentences that must stand beside the numbers."""
        return notes(self)


def comparisons(
    unit: pd.DataFrame,
    asked: ComparisonQuestion,
    labels: Mapping[int, str] | None = None,
) -> ComparisonTable:
    """Return the groups compared.

    `unit` is the frame of every counted screw, `labels` the name or code of each person. Screws of
    levels without a pedicle grade stand nowhere. BadInputError names a group that no screw is of.
    """
    question = asked.counting
    pedicles = unit["pedicle"].to_numpy(dtype=np.bool_)
    table = rates(unit, question, visible=pedicles, labels=labels)
    # The unit's clustering is part of every table that nothing is withheld from.
    clustering = cast("UnitClustering", table.unit)
    rows = {name_of(row): row for row in table.rows}
    if len(rows) < len(table.rows):
        raise BadInputError(
            Fault("two persons have the same name", "groups", "ask with codes in place of names")
        )
    chosen = _chosen(asked, rows)
    counted = _Counted.of(unit, pedicles, asked, labels or {})
    pairs = [
        _pair(counted, a, b, clustering, question.confidence) for a, b in _paired(asked, chosen)
    ]
    return ComparisonTable(
        asked=asked,
        unit=clustering,
        rows=tuple(chosen),
        others=tuple(name for name, row in rows.items() if row not in chosen),
        pairs=tuple(_adjusted(pairs)),
        trends=_trends(unit, counted, [name_of(row) for row in chosen], asked),
    )


@dataclass(frozen=True)
class _Counted:
    """Each screw's group, and the graded screws of each patient in each group."""

    columns: ScrewColumns
    stratum: npt.NDArray[np.int64]
    place: Mapping[str, int]
    cells: Cells

    @classmethod
    def of(
        cls,
        unit: pd.DataFrame,
        pedicles: npt.NDArray[np.bool_],
        asked: ComparisonQuestion,
        labels: Mapping[int, str],
    ) -> _Counted:
        question = asked.counting
        period = pedicles.copy()
        if question.start:
            period &= (unit["operated_on"] >= np.datetime64(question.start)).to_numpy()
        if question.end:
            period &= (unit["operated_on"] <= np.datetime64(question.end)).to_numpy()
        named, stratum, _ = strata(unit, period, question.by, labels)
        columns = ScrewColumns.of(unit, question.event)
        place = {each[asked.split]: number for number, each in enumerate(named)}
        return cls(columns, stratum, place, columns.cells(stratum >= 0, stratum, len(named)))

    def of_group(self, name: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Return a group's events and graded screws of every patient of the unit."""
        there = self.cells.group == self.place[name]
        events = np.zeros(self.columns.patients, dtype=np.int64)
        sizes = np.zeros(self.columns.patients, dtype=np.int64)
        events[self.cells.patient[there]] = self.cells.events[there]
        sizes[self.cells.patient[there]] = self.cells.sizes[there]
        return events, sizes


def _chosen(asked: ComparisonQuestion, rows: Mapping[str, RateRow]) -> list[RateRow]:
    """Return the groups to compare; BadInputError names those that no screw is of."""
    if asked.groups:
        known = {folded(name): row for name, row in rows.items()}
        there = ", ".join(rows) or "there is none in this period"
        missing = [
            Fault(f"no screw is of {name[:60]!r}", "groups", f"choose from: {there}")
            for name in asked.groups
            if folded(name) not in known
        ]
        if missing:
            raise BadInputError(*missing)
        return [known[folded(name)] for name in asked.groups]
    return [row for row in rows.values() if row.rate is not None]


def _paired(asked: ComparisonQuestion, rows: Sequence[RateRow]) -> list[tuple[RateRow, RateRow]]:
    """Return which rows are compared: the first less the second."""
    if len(rows) < _TWO:
        return []
    if asked.is_all_pairs:
        return [(a, b) for a, b in combinations(rows, _TWO)]
    named = [row for row in rows if folded(name_of(row)) == folded(asked.reference)]
    reference = named[0] if named else max(rows, key=lambda row: row.graded)
    return [(row, reference) for row in rows if row is not reference]


def _pair(
    counted: _Counted, a: RateRow, b: RateRow, unit: UnitClustering, confidence: float
) -> Pair:
    """Return two rows compared over the patients that either has."""
    first, second = (counted.of_group(name_of(row)) for row in (a, b))
    is_shared = (first[1] > 0) & (second[1] > 0)
    found = None
    if a.rate is not None and b.rate is not None:
        found = compare(first, second, unit, confidence)
    return Pair(a, b, found, int(is_shared.sum()))


def _adjusted(pairs: Sequence[Pair]) -> list[Pair]:
    """Return the pairs with p-values adjusted for how many there are."""
    told = [pair.compared.p_value for pair in pairs if pair.compared]
    if len(pairs) < _TWO or not told:
        return list(pairs)
    by_holm, by_share = iter(holm(told)), iter(benjamini_hochberg(told))
    return [
        replace(pair, holm=next(by_holm), benjamini_hochberg=next(by_share))
        if pair.compared
        else pair
        for pair in pairs
    ]


def _trends(
    unit: pd.DataFrame, counted: _Counted, chosen: Sequence[str], asked: ComparisonQuestion
) -> dict[str, Trend]:
    """Return the trend of each group, and under '' of all of them together."""
    if not chosen:
        return {}
    columns, stratum = counted.columns, counted.stratum
    # As quarters are numbered: 2026Q3 is one more than 2026Q2, whatever year it ends.
    names, place = np.unique(unit["quarter"].to_numpy(dtype=object), return_inverse=True)
    numbers = np.array([4 * int(name[:4]) + int(name[-1]) for name in names], dtype=np.int64)
    own = {name: stratum == counted.place[name] for name in chosen}
    wanted = {"": np.logical_or.reduce(list(own.values()))}
    if asked.split is not Split.QUARTER:
        wanted |= own
    found = {}
    for name, members in wanted.items():
        there = members & columns.graded
        found[name] = trend(
            columns.breached[there],
            numbers[place][there],
            columns.patient[there],
            asked.counting.confidence,
        )
    return found
