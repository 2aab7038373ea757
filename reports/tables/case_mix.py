"""Observed breaches against those that patient and pedicle alone would lead one to expect."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.problems import BadInputError, Fault
from reports.statistics.case_mix import CaseMix, Refusal
from reports.statistics.estimate import Estimate
from reports.statistics.observed_expected import observed_over_expected
from reports.tables.case_mix_factors import expected_of
from reports.tables.case_mix_words import notes
from reports.tables.cells import harmless
from reports.tables.rates import rates
from reports.tables.splits import IntervalName, Split, strata

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from reports.tables.rates import Question


@dataclass(frozen=True)
class ExpectedRow:
    """One group.

    Attributes
    ----------
    group : its name or code
    patients, graded, observed : patients with a graded screw, graded screws, breached ones
    expected : breached screws by the model, or at the unit's overall rate where none is used;
        None where nothing is graded
    design_effect : None without a graded screw
    ratio : observed over expected; None below the minimum and where nothing is expected
    """

    group: str
    patients: int
    graded: int
    observed: int
    expected: float | None
    design_effect: float | None
    ratio: Estimate


@dataclass(frozen=True)
class CaseMixTable:
    """The answer.

    Attributes
    ----------
    question : what was asked, split by exactly one
    model : of the whole unit up to the period's end, or why there is none
    rows : groups in the split's order
    second_reading : what is said where only some screws were read twice
    """

    question: Question
    model: CaseMix | Refusal
    rows: tuple[ExpectedRow, ...]
    second_reading: str = ""

    @property
    def split(self) -> Split:
        """By what the groups are told apart."""
        return self.question.by[0]

    def as_json(self) -> dict[str, object]:
        """Return the table as `case-mix --format json` prints it."""
        document: dict[str, object] = {
            "by": self.split.value,
            "refused": self.model.reason if isinstance(self.model, Refusal) else None,
            "rows": [
                {
                    "group": row.group,
                    "patients": row.patients,
                    "graded": row.graded,
                    "observed": row.observed,
                    "expected": row.expected,
                    "design_effect": row.design_effect,
                    "observed_over_expected": row.ratio.as_json(),
                }
                for row in self.rows
            ],
        }
        return document | {"model": None if isinstance(self.model, Refusal) else _json(self.model)}

    def as_csv(self) -> str:
        """Return a heading and a line a group, unrounded; a cell without a value is empty."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        names = ("patients", "graded", "observed", "expected", "design_effect")
        writer.writerow([self.split.value, *names, "ratio", "low", "high"])
        for row in self.rows:
            counts = (getattr(row, name) for name in names)
            writer.writerow([harmless(row.group), *counts, *row.ratio.cells])
        return text.getvalue()

    def notes(self) -> list[str]:
        """Return the sentences that must stand beside the numbers."""
        return notes(self)


def case_mix_table(
    unit: pd.DataFrame, question: Question, labels: Mapping[int, str] | None = None
) -> CaseMixTable:
    """Return each group's observed over expected; BadInputError unless split by exactly one.

    `unit` is the frame of every counted screw up to the period's end, which all are part of the
    model; `labels` the name or code of each person.
    """
    if len(question.by) != 1 or question.interval is not IntervalName.CLUSTERED:
        raise BadInputError(
            Fault("observed over expected is told by one split", "by", "give exactly one")
        )
    pedicles = unit["pedicle"].to_numpy(dtype=np.bool_)
    model, expected = expected_of(unit, question.event)
    table = rates(unit, question, visible=pedicles, labels=labels)
    period = pedicles.copy()
    if question.start:
        period &= (unit["operated_on"] >= np.datetime64(question.start)).to_numpy()
    if question.end:
        period &= (unit["operated_on"] <= np.datetime64(question.end)).to_numpy()
    _, stratum, _ = strata(unit, period, question.by, labels or {})
    counted = (stratum >= 0) & ~np.isnan(expected)
    sums = np.bincount(stratum[counted], weights=expected[counted], minlength=len(table.rows))
    is_graded = bool((~np.isnan(expected)).any())
    made = []
    for row, total in zip(table.rows, sums, strict=True):
        ratio = Estimate()
        if row.rate is not None and row.design_effect is not None:
            ratio = observed_over_expected(
                row.breached, float(total), row.design_effect, question.confidence
            )
        made.append(
            ExpectedRow(
                group=row.stratum[question.by[0]],
                patients=row.patients,
                graded=row.graded,
                observed=row.breached,
                expected=float(total) if is_graded else None,
                design_effect=row.design_effect,
                ratio=ratio,
            )
        )
    return CaseMixTable(question, model, tuple(made))


def _json(model: CaseMix) -> dict[str, object]:
    found = model.calibration
    return {
        "patients": model.patients,
        "events": model.events,
        "effective_events": model.effective_events,
        "used": model.is_used,
        "left_out": list(model.left_out),
        "shares_kept": dict(model.shares),
        "terms": [
            {
                "factor": term.factor,
                "category": term.category,
                "reference": term.reference,
                "screws": term.size,
                "breached": term.events,
                "odds_ratio": term.odds_ratio.as_json(),
            }
            for term in model.terms
        ],
        "c_statistic": model.discrimination.as_json(),
        "calibration_in_the_large": found.in_the_large.as_json(),
        "calibration_slope": found.slope.as_json(),
        "brier": found.brier,
        "brier_of_the_overall_rate": found.brier_reference,
        "fifths": [
            {
                "screws": fifth.size,
                "observed": fifth.observed,
                "expected": fifth.expected,
                "rate": fifth.rate.as_json(),
            }
            for fifth in found.fifths
        ],
    }
