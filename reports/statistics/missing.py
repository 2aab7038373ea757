"""What a rate could be if the observations that are missing were known: bounds and estimates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.estimate import Estimate
from reports.statistics.intervals import score_interval
from reports.statistics.jackknife import cluster_sums

if TYPE_CHECKING:
    import numpy.typing as npt

    from reports.statistics.clustered import ClusteredResult

    Floats = npt.NDArray[np.float64]
    Codes = npt.NDArray[np.int64]
    Mask = npt.NDArray[np.bool_]

_NO_SPREAD = 1e-15


def bounds(events: int, observed: int, missing: int) -> tuple[float, float] | None:
    """Return the rate of all if none, and if all, of the missing were events.

    x/(n+u) and (x+u)/(n+u): no assumption at all; None where there is nothing.

    Parameters
    ----------
    events, observed, missing : x, n and u, whole numbers

    References
    ----------
    Bounds of this kind: Manski CF. American Economic Review 1990;80:319-323 (from memory).

    Examples
    --------
    >>> bounds(4, 80, 20)
    (0.04, 0.24)
    """
    whole = observed + missing
    if not 0 <= events <= observed or missing < 0:
        raise ValueError(f"{events} events among {observed} observed and {missing} missing")
    return (events / whole, (events + missing) / whole) if whole else None


@dataclass(frozen=True)
class Observed:
    """Screws of whom some are observed; every array has shape (n,).

    Attributes
    ----------
    patient : whole numbers
    stratum : whole numbers from 0, within which the missing are taken to be like the observed
    is_observed, is_event : an event only where observed
    """

    patient: Codes
    stratum: Codes
    is_observed: Mask
    is_event: Mask


def like_the_observed(screws: Observed, known: ClusteredResult) -> Estimate:
    """Return the rate of all if the missing are like the observed of their stratum.

    sum_s (x_s + u_s x_s/n_s) / sum_s (n_s + u_s); a stratum without an observed screw takes the
    rate of all observed. The interval is the score interval on the effective screws that the
    delete-one-patient variance gives, at most those of the observed rate, with its quantile.

    Parameters
    ----------
    screws : of one period
    known : the default interval of the observed ones

    Returns
    -------
    Estimate : nothing where nothing is observed

    Examples
    --------
    >>> from reports.statistics.clustered import UnitClustering, clustered_interval
    >>> screws = Observed(
    ...     patient=np.arange(8), stratum=np.array([0, 0, 0, 0, 0, 0, 1, 1]),
    ...     is_observed=np.array([1, 1, 1, 1, 0, 0, 1, 1], dtype=bool),
    ...     is_event=np.array([1, 0, 0, 0, 0, 0, 1, 0], dtype=bool))
    >>> unit = UnitClustering(patients=6, patients_with_event=2, rho=None)
    >>> known = clustered_interval([1, 0, 0, 0, 1, 0], [1] * 6, unit)
    >>> round(like_the_observed(screws, known).value, 4)  # (1 + 2/4 + 1) / 8
    0.3125
    """
    strata = int(screws.stratum.max(initial=0)) + 1
    inside = np.eye(strata)[screws.stratum]
    seen, event = screws.is_observed[:, None], (screws.is_event & screws.is_observed)[:, None]
    columns = np.hstack([inside * event, inside * seen, inside * ~seen])
    sums = cluster_sums(columns, screws.patient)
    total = sums.sum(axis=0)
    value = float(_standardised(total, strata))
    if not np.isfinite(value):
        return Estimate()
    left = _standardised(total - sums, strata)
    count = len(sums)
    effective = known.effective
    if np.isfinite(left).all() and 0 < value < 1:
        variance = (count - 1) / count * float(((left - left.mean()) ** 2).sum())
        if variance > _NO_SPREAD:
            effective = min(effective, value * (1 - value) / variance)
    limits = score_interval(value * effective, effective, known.quantile)
    return Estimate(value, limits.low, limits.high)


def with_assumed(known: ClusteredResult, observed: int, missing: int, assumed: float) -> Estimate:
    """Return the rate of all if the missing have an assumed rate, which is taken as certain.

    (n p + u a)/(n + u), and so for the limits of p.

    Parameters
    ----------
    known : rate and interval of the observed
    observed, missing : n and u, whole numbers
    assumed : a, 0 to 1

    Examples
    --------
    >>> from reports.statistics.clustered import UnitClustering, clustered_interval
    >>> known = clustered_interval([1, 0], [1, 1], UnitClustering(2, 1, None))
    >>> with_assumed(known, 2, 2, 0.0).value
    0.25
    """
    if not 0 <= assumed <= 1:
        raise ValueError(f"a rate of {assumed} is not between 0 and 1")
    whole = observed + missing
    parts = (known.rate, known.interval.low, known.interval.high)
    return Estimate(*((observed * part + missing * assumed) / whole for part in parts))


def _standardised(sums: Floats, strata: int) -> Floats:
    events, seen, unseen = (sums[..., each * strata : (each + 1) * strata] for each in range(3))
    with np.errstate(invalid="ignore", divide="ignore"):
        overall = (events.sum(axis=-1) / seen.sum(axis=-1))[..., None]
        rate = np.where(seen > 0, events / seen, overall)
        return np.asarray((events + unseen * rate).sum(axis=-1) / (seen + unseen).sum(axis=-1))
