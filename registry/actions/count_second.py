"""What rates say about second readings that only some screws had."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reports.frame import frame, with_extents
from reports.statistics.clustered import unit_clustering
from reports.statistics.second_read import SecondReads, corrected_rate
from reports.tables.rate_words import percent

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    import numpy.typing as npt
    import pandas as pd

    from registry.domain.directions import Direction
    from registry.store.queries.second_reads import SecondRead
    from reports.frame import ScrewRow
    from reports.tables.rates import Question

UNCORRECTED = (
    "Second readings were made of some screws only; these rates are not corrected for that."
)


def second_reading_words(
    rows: Sequence[ScrewRow],
    reads: Mapping[int, SecondRead],
    question: Question,
    *,
    may_see: bool,
    unit: pd.DataFrame | None = None,
) -> str:
    """Return the sentences; '' where every graded screw asked for has been read twice.

    Parameters
    ----------
    rows : every counted screw of the unit up to the period's end
    reads : of each that has a first reading on its audit scan
    question : what was asked; splits do not matter, the correction is of all screws together
    may_see : the viewer may see sums over everybody's screws on any days
    unit : the frame of the rows in their order, where it is made already
    """
    return many_second_reading_words(rows, reads, [question], may_see=may_see, unit=unit)[0]


def many_second_reading_words(
    rows: Sequence[ScrewRow],
    reads: Mapping[int, SecondRead],
    questions: Sequence[Question],
    *,
    may_see: bool,
    unit: pd.DataFrame | None = None,
) -> list[str]:
    """Return the sentences of each question with the same last day; the frames are made once."""
    unit = frame(rows) if unit is None else unit
    first = with_extents(unit, [_first(row, reads) for row in rows])
    return [
        _words(_Readings(rows, reads, unit, first), question, may_see=may_see)
        for question in questions
    ]


@dataclass(frozen=True)
class _Readings:
    """Counted screws with their first readings: rows and frames, in the same order."""

    rows: Sequence[ScrewRow]
    reads: Mapping[int, SecondRead]
    unit: pd.DataFrame
    first: pd.DataFrame


def _words(found: _Readings, question: Question, *, may_see: bool) -> str:
    rows, reads, unit, first = found.rows, found.reads, found.unit, found.first
    event = question.event
    graded = (event.graded(unit) & event.graded(first)).to_numpy()
    in_period = np.array(
        [question.start is None or row.operated_on >= question.start for row in rows], dtype=bool
    )
    asked = graded & in_period & unit["pedicle"].to_numpy()
    chosen = [reads[row.screw_id] for row, is_asked in zip(rows, asked, strict=True) if is_asked]
    if all(read.is_twice for read in chosen):
        return ""
    if not may_see:
        return UNCORRECTED
    counted = event.graded(unit).to_numpy() & in_period & unit["pedicle"].to_numpy()
    ids = [row.screw_id for row, is_counted in zip(rows, counted, strict=True) if is_counted]
    outside = sum(screw in reads and not reads[screw].is_by_rule for screw in ids)
    if outside:
        return (
            f"{UNCORRECTED} Read outside this ledger, where the rule for second readings is not "
            f"known: {outside} of all {len(ids)} graded screws of the period."
        )
    patients = np.unique(unit["patient"].to_numpy(dtype=object), return_inverse=True)[1]
    surgeons = unit["surgeon"].to_numpy()
    final = event.breached(unit).to_numpy()
    screws = SecondReads(
        patients=patients[asked].astype(np.int64),
        first=event.breached(first).to_numpy()[asked],
        final=final[asked],
        share=_shares(chosen),
        is_drawn=np.array([read.is_drawn for read in chosen], dtype=bool),
    )
    clustering = unit_clustering(final[graded], patients[graded].astype(np.int64), surgeons[graded])
    made = corrected_rate(screws, clustering, question.confidence)
    if made is None:
        return f"{UNCORRECTED} None of the random share has been read twice yet."
    if not made.rest:
        return ""
    low, high = percent(made.interval.low), percent(made.interval.high)
    return (
        f"{UNCORRECTED} Corrected for the rule, all screws asked for together: "
        f"{percent(made.rate)} % ({low} to {high}); of {made.rest} that only the draw could "
        f"choose, {made.drawn} were read twice, and there the first reading had missed "
        f"{made.missed} and was alone with {made.only_first}."
    )


def _first(row: ScrewRow, reads: Mapping[int, SecondRead]) -> Mapping[Direction, Decimal | None]:
    read = reads.get(row.screw_id)
    return {} if read is None else read.first_mm


def _shares(reads: Sequence[SecondRead]) -> npt.NDArray[np.float64]:
    return np.array([1.0 if read.share is None else float(read.share) for read in reads])
