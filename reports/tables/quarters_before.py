"""What a unit's own past would lead one to expect of it, quarter by quarter.

Held against all its own operations, a unit has as many breaches as are expected by construction.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.moved_alike import moved_alike
from reports.tables.surgeon_table import OVERALL_BASIS, Expectation
from reports.tables.surgeons import in_period

if TYPE_CHECKING:
    import pandas as pd

    from reports.tables.rates import Question

LEAST_EARLIER = 20
"""Breached screws, and others, that the quarters before must have; ours."""

BY_CONSTRUCTION = (
    "What is expected here is made from these same operations, so over all of them as many are "
    "expected as were seen, by construction: the run tells when breaches came, not whether they "
    f"were many. Quarters before it with {LEAST_EARLIER} breaches would be needed for that."
)
_PAST = (
    "So the unit is held against its past; where its rate moves slowly, what is expected moves "
    "after it. The past is taken as known, so false signals come more often than said: in two "
    "years from the twentieth breach on, in 38 (worse) and 42 (better) of 100 simulated units "
    "that stayed alike, against 32 and 32 with the true rate."
)


def expected_from_before(unit: pd.DataFrame, question: Question, given: Expectation) -> Expectation:
    """Return what is expected of each screw by the quarters before its own.

    Of a quarter's screws what `given` expects, all moved alike on the log odds so that over the
    quarters before it adds up to what was seen there; not-a-number where these have fewer than
    `LEAST_EARLIER` breached screws, or others. Where that is so of all operations asked for, what
    was given, and the words say that it agrees by construction.
    """
    counted = (question.event.graded(unit) & unit["pedicle"]).to_numpy(dtype=np.bool_)
    events = question.event.breached(unit).to_numpy(dtype=np.bool_)
    quarter = unit["quarter"].to_numpy(dtype=np.str_)
    shares = np.full(len(unit), np.nan)
    for name in np.unique(quarter[counted]):
        earlier = counted & (quarter < name)
        seen = int(events[earlier].sum())
        if min(seen, int(earlier.sum()) - seen) < LEAST_EARLIER:
            continue
        here = counted & (quarter == name)
        moved = moved_alike(given.shares, events, earlier)
        if moved is not None:
            shares[here] = moved[here]
    asked = counted & in_period(unit, question)
    is_known = asked & ~np.isnan(shares)
    if not is_known.any():
        return replace(given, words=f"{given.words} {BY_CONSTRUCTION}")
    left = unit["case_id"][asked & ~is_known].nunique()
    return Expectation(shares, _words(given, left), given.basis)


def _words(given: Expectation, left: int) -> str:
    rate = "the unit's rate over"
    if given.basis != OVERALL_BASIS:
        rate = f"by {given.basis}, at the level of"
    said = f"Expected of each operation: {rate} all quarters before its own. {_PAST}"
    if not left:
        return said
    first = "The first operation stands" if left == 1 else f"The first {left} operations stand"
    return (
        f"{said} {first} before the first quarter that has {LEAST_EARLIER} breaches before it, "
        "and nothing is expected of them: they are in the quarters and groups alone."
    )
