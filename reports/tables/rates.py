"""Breach rates by stratum, each with its patients, its completeness and its interval.

The clustering that an interval uses is that of the whole unit, whatever is shown: every counted
screw up to the end of the asked period, for the same event.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.problems import BadInputError, Fault
from reports.frame import Event, Intended, Threshold
from reports.statistics.estimate import Estimate
from reports.tables.cells import harmless
from reports.tables.counting import ScrewColumns
from reports.tables.rate_intervals import intervals, patient_shares
from reports.tables.rate_words import HEADINGS, notes, stratum_heading, words_of, words_of_peer
from reports.tables.splits import IntervalName, Split, strata

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import numpy.typing as npt
    import pandas as pd

    from registry.domain.directions import Direction
    from reports.statistics.clustered import UnitClustering
    from reports.tables.counting import Counted
    from reports.tables.rate_intervals import Made

_JSON_NUMBERS = (
    *("patients", "patients_with_event", "placed", "imaged", "graded", "breached"),
    *("rate", "low", "high", "design_effect", "df"),
)

NO_SHARE = Estimate()
SHARE_NAMES = ("patient_share", "patient_share_low", "patient_share_high")
"""Columns of the share of patients with a breach and its interval, wherever rates are columns."""


@dataclass(frozen=True)
class Question:
    """What is asked of the rates; BadInputError where it cannot be answered.

    Attributes
    ----------
    by : none, one or two splits, which are crossed
    start, end : days of operation, both included; None for open
    threshold, direction, intended : what counts as a breach
    interval : clustered, or a plain one that treats screws as independent
    minimum : graded screws below which counts are given and no rate
    confidence : of the interval, above 0 and below 1
    """

    by: tuple[Split, ...] = ()
    start: date | None = None
    end: date | None = None
    threshold: Threshold = Threshold.TWO_MM
    direction: Direction | None = None
    intended: Intended = Intended.INCLUDE
    interval: IntervalName = IntervalName.CLUSTERED
    minimum: int = 10
    confidence: float = 0.95

    def __post_init__(self) -> None:
        faults = []
        if len(self.by) > 2 or len(set(self.by)) < len(self.by):  # noqa: PLR2004 - two are crossed
            faults.append(
                Fault(f"cannot split by {', '.join(self.by)}", "by", "give one or two, not alike")
            )
        if self.start and self.end and self.start > self.end:
            faults.append(
                Fault(f"{self.start} is after {self.end}", "from", "give the earlier day first")
            )
        if self.minimum < 0:
            faults.append(Fault(f"{self.minimum} is below 0", "minimum", "give 0 or more"))
        if not 0 < self.confidence < 1:
            faults.append(
                Fault(f"{self.confidence} is not between 0 and 1", "confidence", "give 0.95")
            )
        if faults:
            raise BadInputError(*faults)

    @property
    def event(self) -> Event:
        """Return what counts as a breach."""
        return Event(self.threshold, self.direction, self.intended)


@dataclass(frozen=True)
class RateRow:
    """One stratum.

    Attributes
    ----------
    stratum : the split's name and its value, in the order asked; empty for all screws together
    patients : with at least one graded screw
    patients_with_event : of those, with at least one breach
    placed, imaged, graded, breached : screws
    provisional : graded screws of which a second reading or an adjudication is owed
    rate, low, high : proportions; None below the minimum and without a graded screw
    design_effect : by how much sharing patients lessens the number of screws, 1 for the plain
        intervals; None without a graded screw
    effective : graded screws divided by the design effect; None without a graded screw
    df : degrees of freedom; None for the plain intervals and without a graded screw
    patient_mean : mean of the patients' own rates, every patient alike; None as the rate
    patient_share : of the patients, those with at least one breach, with its exact interval;
        undefined as the rate
    rho : the stratum's own correlation within patients, before the floor at 0; None for the plain
        intervals and where undefined
    keys : what the stratum is known by in an address, in the order asked

    patients_with_event, low and high, design_effect, effective, df, patient_mean, patient_share and
    rho are also None where they may not be shown.
    """

    stratum: Mapping[Split, str]
    patients: int
    patients_with_event: int | None
    placed: int
    imaged: int
    graded: int
    breached: int
    provisional: int
    rate: float | None
    low: float | None
    high: float | None
    design_effect: float | None
    effective: float | None
    df: float | None
    patient_mean: float | None = None
    patient_share: Estimate = NO_SHARE
    rho: float | None = None
    keys: tuple[str, ...] = ()

    def as_json(self) -> dict[str, object]:
        """Return the row as JSON documents hold it."""
        return {
            "stratum": {split.value: name for split, name in self.stratum.items()},
            **{name: getattr(self, name) for name in _JSON_NUMBERS},
            "patient_share": self.patient_share.as_json(),
        }

    @property
    def tells_another_story(self) -> bool:
        """Return whether the mean of the patients' own rates lies outside the interval.

        A rule of ours, no source: patients with few screws then do not fare as those with many.
        """
        if self.patient_mean is None or self.low is None or self.high is None:
            return False
        return not self.low <= self.patient_mean <= self.high


@dataclass(frozen=True)
class PeerPoint:
    """Another surgeon as a viewer sees one who may not see names.

    Attributes
    ----------
    code : stands for the surgeon in this answer alone
    rate : a proportion, shared with others and rounded (`registry.domain.disclosure`)
    """

    code: str
    rate: float


@dataclass(frozen=True)
class RateTable:
    """The answer to a question, and what the unit's patients told about clustering.

    Attributes
    ----------
    question : what was asked
    unit : what was pooled; of every counted screw of the unit, whoever looks; None where it may
        not be shown
    rows : levels and regions cranial first, diameters by size, all else alphabetical
    is_partial : some of what was asked may not be shown to who asks
    peers : other surgeons as points, by code
    withheld : what is not shown and why, in sentences
    second_reading : what is said where only some screws were read twice
    """

    question: Question
    unit: UnitClustering | None
    rows: tuple[RateRow, ...]
    is_partial: bool = False
    peers: tuple[PeerPoint, ...] = ()
    withheld: tuple[str, ...] = ()
    second_reading: str = ""

    def as_json(self) -> dict[str, object]:
        """Return the table as `rates --format json` prints it."""
        asked = self.question
        return {
            "by": [split.value for split in asked.by],
            "threshold": asked.threshold.value,
            "direction": asked.direction.value if asked.direction else None,
            "from": asked.start.isoformat() if asked.start else None,
            "to": asked.end.isoformat() if asked.end else None,
            "interval": {"name": asked.interval.value, "confidence": asked.confidence},
            "rows": [row.as_json() for row in self.rows]
            + [
                {
                    "stratum": {Split.SURGEON.value: peer.code},
                    **dict.fromkeys(_JSON_NUMBERS),
                    "rate": peer.rate,
                    "patient_share": NO_SHARE.as_json(),
                }
                for peer in self.peers
            ],
        }

    def cells(self) -> list[list[object]]:
        """Return a heading and a line a stratum, numbers unrounded and None where undefined."""
        names = [
            *("patients", "patients_with_event", "placed", "imaged", "graded", "breached"),
            *("provisional", "rate", "low", "high", "design_effect", "effective", "df"),
            *("patient_mean", "rho"),
        ]
        by = self.question.by
        pooled = None if self.unit is None else self.unit.pooled_rho
        lines: list[list[object]] = [
            [*(split.value for split in by), *names, "pooled_rho", *SHARE_NAMES]
        ]
        for row in self.rows:
            values = [*(getattr(row, name) for name in names), pooled]
            lines.append([*(row.stratum[split] for split in by), *values, *row.patient_share.cells])
        for peer in self.peers:
            values = [peer.rate if name == "rate" else None for name in names]
            lines.append([peer.code, *values, None, *NO_SHARE.cells])
        return lines

    def as_csv(self) -> str:
        """Return the cells as comma-separated text; a cell without a value is empty.

        A text that a spreadsheet would take for a formula gets an apostrophe before it (OWASP
        ASVS v5.0.0-1.2.10).
        """
        text = io.StringIO()
        lines = [[harmless(cell) for cell in line] for line in self.cells()]
        csv.writer(text, lineterminator="\n").writerows(lines)
        return text.getvalue()

    def text_rows(self) -> list[list[str]]:
        """Return a heading and a line a stratum, as people read them: per cent, one decimal."""
        heading = [*(stratum_heading(split) for split in self.question.by), *HEADINGS]
        rows = [
            [*(row.stratum[split] for split in self.question.by), *words_of(row)]
            for row in self.rows
        ]
        return [heading, *rows, *([peer.code, *words_of_peer(peer)] for peer in self.peers)]

    def notes(self) -> list[str]:
        """Return the sentences that must stand beside the rows."""
        return notes(self)


@dataclass(frozen=True)
class Pooled:
    """What questions about one event up to one day share, whatever they are split by.

    Attributes
    ----------
    columns : of every counted screw, for the event
    clustering : of the unit's patients up to the day
    """

    columns: ScrewColumns
    clustering: UnitClustering

    @classmethod
    def of(cls, unit: pd.DataFrame, question: Question) -> Pooled:
        """Return it for a question's event and last day."""
        columns = ScrewColumns.of(unit, question.event)
        return cls(columns, columns.unit_clustering(_until(unit, question), unit["surgeon"]))


def rates(
    unit: pd.DataFrame,
    question: Question,
    *,
    visible: Sequence[bool] | npt.NDArray[np.bool_] | None = None,
    labels: Mapping[int, str] | None = None,
    pooled: Pooled | None = None,
) -> RateTable:
    """Return the rates of the screws that may be shown, pooled over the whole unit.

    `unit` is the frame of every counted screw; `visible` says, screw by screw, which may be shown
    (None: all); `labels` gives the name or code of each person, needed when split by surgeon or
    operator. Screws of levels without a pedicle grade stand only in a table split by level.
    `pooled` is what the question shares with others, where it is made already.
    """
    mask = _mask(visible, len(unit))
    shared = Pooled.of(unit, question) if pooled is None else pooled
    columns, clustering = shared.columns, shared.clustering
    period = asked_screws(unit, question)
    found = strata(unit, period & mask, question.by, labels or {})
    counted = columns.counts(found.places, len(found.names))
    made = intervals(counted, clustering, question.interval, question.confidence)
    shares = patient_shares(counted, question.confidence)
    rows = []
    for at, each in enumerate(found.names):
        row = _row(each, counted, at, made[at], question.minimum)
        share = NO_SHARE if row.rate is None else shares[at]
        rows.append(replace(row, keys=found.keys[at], patient_share=share))
    is_partial = bool((period & ~mask).any())
    return RateTable(question=question, unit=clustering, rows=tuple(rows), is_partial=is_partial)


def asked_screws(unit: pd.DataFrame, question: Question) -> npt.NDArray[np.bool_]:
    """Return which screws a question is about.

    Screws of levels without a pedicle grade stand only in a table split by level.
    """
    asked = _until(unit, question)
    if question.start:
        asked &= (unit["operated_on"] >= np.datetime64(question.start)).to_numpy()
    if Split.LEVEL not in question.by:
        asked &= unit["pedicle"].to_numpy()
    return asked


def _until(unit: pd.DataFrame, question: Question) -> npt.NDArray[np.bool_]:
    """Return which screws were put in up to a question's last day."""
    if question.end is None:
        return np.ones(len(unit), dtype=np.bool_)
    return (unit["operated_on"] <= np.datetime64(question.end)).to_numpy(np.bool_, copy=True)


def _mask(
    visible: Sequence[bool] | npt.NDArray[np.bool_] | None, length: int
) -> npt.NDArray[np.bool_]:
    """Return the mask of what may be shown, checked for its length."""
    if visible is None:
        return np.ones(length, dtype=np.bool_)
    mask = np.asarray(visible, dtype=np.bool_)
    if mask.shape != (length,):
        raise ValueError(f"a mask of {mask.shape} for {length} screws")
    return mask


def _row(
    stratum: Mapping[Split, str], counted: Counted, at: int, made: Made, minimum: int
) -> RateRow:
    """Return the counts and the interval of one stratum."""
    graded, breached = int(counted.graded[at]), int(counted.breached[at])
    is_shown = graded > 0 and graded >= minimum
    return RateRow(
        stratum=stratum,
        patients=int(counted.sums.patients[at]),
        patients_with_event=int(counted.sums.with_event[at]),
        placed=int(counted.placed[at]),
        imaged=int(counted.imaged[at]),
        graded=graded,
        breached=breached,
        provisional=int(counted.provisional[at]),
        rate=breached / graded if is_shown else None,
        low=made.low if is_shown else None,
        high=made.high if is_shown else None,
        design_effect=made.design_effect,
        effective=made.effective,
        df=made.df,
        patient_mean=float(counted.sums.mean_of_rates[at]) if is_shown else None,
        rho=made.rho,
    )
