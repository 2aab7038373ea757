"""What rates say about second readings that only some screws had."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports.statistics.clustered import unit_clustering
from reports.statistics.second_read import SecondReads, corrected_rate
from reports.tables.rate_words import percent

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from registry.actions.counted_unit import CountedUnit
    from registry.store.queries.second_reads import SecondRead
    from reports.tables.rates import Question

    Mask = npt.NDArray[np.bool_]

UNCORRECTED = (
    "Second readings were made of some screws only; these rates are not corrected for that."
)


def second_reading_words(unit: CountedUnit, question: Question, *, may_see: bool) -> str:
    """Return the sentences; '' where every graded screw asked for has been read twice.

    Parameters
    ----------
    unit : every counted screw of the unit up to the period's end
    question : what was asked; splits do not matter, the correction is of all screws together
    may_see : the viewer may see sums over everybody's screws on any days
    """
    event, screws = question.event, unit.screws
    asked_about = screws["pedicle"].to_numpy(dtype=np.bool_, copy=True)
    if question.start is not None:
        asked_about &= (screws["operated_on"] >= np.datetime64(question.start)).to_numpy()
    counted = event.graded(screws).to_numpy(dtype=np.bool_)
    graded = counted & event.graded(unit.first).to_numpy(dtype=np.bool_)
    asked = graded & asked_about
    if unit.is_twice[asked].all():
        return ""
    if not may_see:
        return UNCORRECTED
    in_all = counted & asked_about
    outside = int((unit.is_outside & in_all).sum())
    if outside:
        return (
            f"{UNCORRECTED} Read outside this ledger, where the rule for second readings is not "
            f"known: {outside} of all {int(in_all.sum())} graded screws of the period."
        )
    return _corrected(unit, question, graded, asked)


def _corrected(unit: CountedUnit, question: Question, graded: Mask, asked: Mask) -> str:
    """Return the sentences where the ledger's rule asked for every second reading."""
    event, screws = question.event, unit.screws
    chosen = [unit.reads[screw] for screw in screws["screw_id"].to_numpy()[asked].tolist()]
    patients = pd.factorize(screws["patient"])[0].astype(np.int64)
    surgeons = screws["surgeon"].to_numpy()
    final = event.breached(screws).to_numpy()
    twice = SecondReads(
        patients=patients[asked],
        first=event.breached(unit.first).to_numpy()[asked],
        final=final[asked],
        share=_shares(chosen),
        is_drawn=np.array([read.is_drawn for read in chosen], dtype=bool),
    )
    clustering = unit_clustering(final[graded], patients[graded], surgeons[graded])
    made = corrected_rate(twice, clustering, question.confidence)
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


def _shares(reads: Sequence[SecondRead]) -> npt.NDArray[np.float64]:
    return np.array([1.0 if read.share is None else float(read.share) for read in reads])
