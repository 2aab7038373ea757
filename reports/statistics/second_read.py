"""A rate corrected for second readings that only some screws had.

Screws that are read twice for certain count by their consensus. Of the rest only a random share
is read twice: what the second reading changed there stands for the whole rest. In the formulas n
is all graded screws, N_h the rest with the same share h, n_h those of them that were drawn and
read, u_h the events among n_h that the first reading missed and v_h those that it alone saw.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.clustered import UnitClustering, clustered_interval
from reports.statistics.intervals import Interval

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True)
class SecondReads:
    """What is known of each graded screw; every array has shape (n,).

    Attributes
    ----------
    patients : whole numbers, a patient's own
    first : whether it is an event by the first reading
    final : whether it is an event by what counts; only looked at where it was read twice, or for
        certain to be
    share : the probability with which it was to be read twice, above 0 and at most 1; 1 for those
        that the rule asks for whatever is drawn
    is_drawn : of those with a share below 1, whether it was drawn and has been read twice
    """

    patients: npt.NDArray[np.int64]
    first: npt.NDArray[np.bool_]
    final: npt.NDArray[np.bool_]
    share: npt.NDArray[np.float64]
    is_drawn: npt.NDArray[np.bool_]

    def __post_init__(self) -> None:
        lengths = {len(self.patients), len(self.first), len(self.final)}
        if len(lengths | {len(self.share), len(self.is_drawn)}) > 1:
            raise ValueError("the arrays differ in length")
        if ((self.share <= 0) | (self.share > 1)).any():
            raise ValueError("a share lies outside 0 to 1")


@dataclass(frozen=True)
class CorrectedRate:
    """A rate as it would be expected had every screw been read twice.

    Attributes
    ----------
    rate : proportion, 0 to 1
    interval : Interval
    rest : int, screws of which only a share was to be read twice
    drawn : int, of those, read twice
    missed, only_first : int, of the drawn, events that the first reading missed, and that it alone
        saw
    """

    rate: float
    interval: Interval
    rest: int
    drawn: int
    missed: int
    only_first: int


def corrected_rate(
    screws: SecondReads, unit: UnitClustering, confidence: float = 0.95
) -> CorrectedRate | None:
    """Return the rate corrected for partial second reading; None where it cannot be corrected.

    p = b/n + sum_h (N_h/n)(u_h - v_h)/n_h, with b the events by what counts among the certain and
    by the first reading among the rest. Given n_h every set of n_h screws is equally likely, so
    the mean over the draws is the rate of a full second reading. Each part has the default
    interval, and the limits are put together from the parts' own:
    p -+ sqrt(sum of the squared distances of the parts' limits).

    Parameters
    ----------
    screws : at least one
    unit : the clustering of the same event in the whole unit
    confidence : float, above 0 and below 1

    Returns
    -------
    CorrectedRate or None : None where no screw of some share has been read twice

    Raises
    ------
    ValueError : no screw, or `confidence` not between 0 and 1

    References
    ----------
    The estimator: double sampling, Neyman J. J Am Stat Assoc 1938;33:101-116 (from memory). The
    limits: Zou GY, Donner A. Stat Med 2008;27:1693-1702 (from memory).

    Examples
    --------
    >>> patients, rest = np.arange(12), np.full(12, 0.5)
    >>> nothing = np.zeros(12, dtype=bool)
    >>> final, drawn = nothing.copy(), nothing.copy()
    >>> final[0], drawn[:6] = True, True
    >>> unit = UnitClustering(patients=12, patients_with_event=1, rho=None)
    >>> corrected = corrected_rate(SecondReads(patients, nothing, final, rest, drawn), unit)
    >>> round(corrected.rate, 4)  # by hand: 0/12 + 12/12 x 1/6
    0.1667
    """
    n = len(screws.first)
    is_rest = screws.share < 1
    base = np.where(is_rest, screws.first, screws.final)
    whole = _interval(base, screws.patients, unit, confidence)
    below, above = [whole.rate - whole.interval.low], [whole.interval.high - whole.rate]
    rate = whole.rate
    drawn, missed, only_first = 0, 0, 0
    for share in np.unique(screws.share[is_rest]):
        in_share = is_rest & (screws.share == share)
        read = in_share & screws.is_drawn
        if not read.any():
            return None
        weight = int(in_share.sum()) / n
        more = _interval(
            (screws.final & ~screws.first)[read], screws.patients[read], unit, confidence
        )
        fewer = _interval(
            (screws.first & ~screws.final)[read], screws.patients[read], unit, confidence
        )
        rate += weight * (more.rate - fewer.rate)
        below += [
            weight * (more.rate - more.interval.low),
            # Where the first reading saw nothing there is nothing to take back.
            weight * (fewer.interval.high - fewer.rate) if screws.first[in_share].any() else 0.0,
        ]
        above += [
            weight * (more.interval.high - more.rate),
            weight * (fewer.rate - fewer.interval.low),
        ]
        drawn += int(read.sum())
        missed += int((screws.final & ~screws.first)[read].sum())
        only_first += int((screws.first & ~screws.final)[read].sum())
    rate = min(max(rate, 0.0), 1.0)
    low = max(rate - sqrt(sum(part * part for part in below)), 0.0)
    high = min(rate + sqrt(sum(part * part for part in above)), 1.0)
    return CorrectedRate(rate, Interval(low, high), int(is_rest.sum()), drawn, missed, only_first)


@dataclass(frozen=True)
class _Part:
    rate: float
    interval: Interval


def _interval(
    events: npt.NDArray[np.bool_],
    patients: npt.NDArray[np.int64],
    unit: UnitClustering,
    confidence: float,
) -> _Part:
    _, patient = np.unique(patients, return_inverse=True)
    sizes = np.bincount(patient)
    counted = np.bincount(patient, weights=events, minlength=len(sizes)).astype(np.int64)
    found = clustered_interval(counted, sizes, unit, confidence)
    return _Part(found.rate, found.interval)
