"""Clustered proportions of many strata at once, from a few sums over each one's patients.

In the formulas m is a patient's graded screws in the stratum, y the events among them, K the
stratum's patients with a graded screw, n the sum of m, x the sum of y and p = x/n. Every array
holds a number a stratum, in whatever shape; a stratum without a graded screw has not-a-number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.intervals import score_limits, student_quantiles

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

# A new unit is not treated as if its screws were independent: it starts from this correlation,
# worth this many patients, and what its own patients show takes over as they accrue. Both are
# assumptions of ours without a published source.
PRIOR_RHO = 0.10
PRIOR_PATIENTS = 25

# Added to the patients with an event to give the degrees of freedom; found by simulation at 95 %,
# no published source.
EXTRA_DF = 8


@dataclass(frozen=True)
class PatientSums:
    """Sums over the patients of each stratum; patients without a graded screw add nothing.

    Attributes
    ----------
    patients, with_event : K, and those of them with an event
    screws, events : n and x
    squares, crossed, event_squares : sums of m^2, of m y and of y^2
    shares : sum of y^2/m
    rates : sum of y/m
    """

    patients: Floats
    with_event: Floats
    screws: Floats
    events: Floats
    squares: Floats
    crossed: Floats
    event_squares: Floats
    shares: Floats
    rates: Floats

    @classmethod
    def along_last(cls, events: npt.ArrayLike, sizes: npt.ArrayLike) -> PatientSums:
        """Return the sums over the last axis: shape (..., patients) in, (...) out."""
        return cls(*(part.sum(axis=-1) for part in _parts(events, sizes)))

    @classmethod
    def by_stratum(
        cls,
        events: npt.ArrayLike,
        sizes: npt.ArrayLike,
        stratum: npt.NDArray[np.int64],
        strata: int,
    ) -> PatientSums:
        """Return the sums of `strata` strata; an entry a patient and stratum, 0 to strata - 1."""
        return cls(
            *(
                np.bincount(stratum, weights=part, minlength=strata).astype(np.float64)
                for part in _parts(events, sizes)
            )
        )

    @property
    def rate(self) -> Floats:
        """Return p = x/n."""
        return _divided(self.events, self.screws)

    @property
    def mean_of_rates(self) -> Floats:
        """Return the mean of the patients' own rates, every patient alike."""
        return _divided(self.rates, self.patients)

    @property
    def mean_size(self) -> Floats:
        """Return m_w = sum(m^2)/n, the graded screws of the average screw's patient."""
        return _divided(self.squares, self.screws)

    def spread(self) -> Spread:
        """Return the sums of squares between and within the patients of each stratum."""
        is_there = self.screws > 0
        return Spread(
            between=np.where(is_there, self.shares - self.events * self.rate, 0.0),
            within=np.where(is_there, self.events - self.shares, 0.0),
            df_between=np.where(is_there, self.patients - 1, 0.0),
            df_within=self.screws - self.patients,
            lost=np.where(is_there, self.screws - self.mean_size, 0.0),
        )

    def linearised_variance(self) -> Floats:
        """Return K/(K-1) sum((y - p m)^2)/n^2; not-a-number with fewer than two patients."""
        p, k = self.rate, self.patients
        squares = self.event_squares - 2 * p * self.crossed + p * p * self.squares
        factor = _divided(k, np.where(k > 1, k - 1, 0.0))
        return factor * _divided(np.maximum(squares, 0.0), self.screws**2)

    def linearised_effect(self) -> Floats:
        """Return the linearised variance in units of p(1-p)/n; 1 where the patients tell nothing.

        That is with fewer than two patients, without an event, and where all are events.
        """
        p, n = self.rate, self.screws
        tells = (self.patients > 1) & (self.events > 0) & (self.events < n)
        return np.where(tells, _divided(self.linearised_variance() * n, p * (1 - p)), 1.0)


@dataclass(frozen=True)
class Spread:
    """Sums of squares of events, which add up over groups whose differences are not to count.

    Attributes
    ----------
    between, within : sum m (p_i - p)^2 = sum y^2/m - x^2/n, and sum y (1 - p_i) = x - sum y^2/m
    df_between, df_within : K - 1 and n - K
    lost : n - sum(m^2)/n, of which m0 is made
    """

    between: Floats
    within: Floats
    df_between: Floats
    df_within: Floats
    lost: Floats

    def pooled(self) -> Spread:
        """Return the sums added over the last axis."""
        return Spread(
            self.between.sum(axis=-1),
            self.within.sum(axis=-1),
            self.df_between.sum(axis=-1),
            self.df_within.sum(axis=-1),
            self.lost.sum(axis=-1),
        )

    def icc(self) -> Floats:
        """Return (MSB - MSW)/(MSB + (m0 - 1) MSW); may be negative, not-a-number if undefined."""
        mean_between = _divided(self.between, self.df_between)
        mean_within = _divided(self.within, self.df_within)
        total = mean_between + (_divided(self.lost, self.df_between) - 1) * mean_within
        return _divided(mean_between - mean_within, np.where(total > 0, total, 0.0))


def pooled_correlation(rho: npt.ArrayLike, patients: npt.ArrayLike) -> Floats:
    """Return rho_p = (K_u rho_u + 25 x 0.10)/(K_u + 25), rho_u floored at 0.

    Parameters
    ----------
    rho : rho_u of each unit, not-a-number where undefined, which counts as 0
    patients : K_u of each unit
    """
    own = np.nan_to_num(np.maximum(rho, 0.0), nan=0.0)
    weighted = np.asarray(patients) * own + PRIOR_PATIENTS * PRIOR_RHO
    pooled: Floats = weighted / (np.asarray(patients) + PRIOR_PATIENTS)
    return pooled


@dataclass(frozen=True)
class DefaultLimits:
    """The default interval of each stratum and what made it, as `ClusteredResult` says."""

    rate: Floats
    low: Floats
    high: Floats
    rho: Floats
    linearised: Floats
    design_effect: Floats
    effective: Floats
    df: Floats
    quantile: Floats


def default_limits(
    sums: PatientSums,
    *,
    pooled_rho: npt.ArrayLike,
    unit_patients: npt.ArrayLike,
    unit_with_event: npt.ArrayLike,
    confidence: float = 0.95,
) -> DefaultLimits:
    """Return the default interval of every stratum.

    The score interval on n/deff screws, deff = max(1 + (m_w - 1) max(rho_s, rho_p), d_lin), with
    Student's t on (B_u + 8) K_u/K degrees of freedom in place of z.

    Parameters
    ----------
    sums : of the strata
    pooled_rho, unit_patients, unit_with_event : rho_p, K_u and B_u of the unit of each stratum, or
        of all of them
    confidence : above 0 and below 1

    Raises
    ------
    ValueError : `confidence` is not between 0 and 1

    Examples
    --------
    >>> sums = PatientSums.along_last([[0, 0, 0, 0, 0]], [[8, 6, 4, 10, 6]])
    >>> found = default_limits(sums, pooled_rho=1 / 12, unit_patients=5, unit_with_event=0)
    >>> found.low.round(4).tolist(), found.high.round(4).tolist()
    ([0.0], [0.1935])
    """
    rho = sums.spread().icc()
    linearised = sums.linearised_effect()
    own = np.where(np.isnan(rho), 0.0, rho)
    effect = np.maximum(1 + (sums.mean_size - 1) * np.maximum(own, pooled_rho), linearised)
    effective = sums.screws / effect
    in_unit = np.asarray(unit_patients, dtype=np.float64)
    df = (np.asarray(unit_with_event) + EXTRA_DF) * _divided(in_unit, sums.patients)
    quantile = student_quantiles(confidence, df)
    # The counts, not rate times size, so that 0/n and n/n stay exact.
    events = np.where(sums.events == sums.screws, effective, sums.events / effect)
    low, high = score_limits(events, effective, quantile)
    return DefaultLimits(sums.rate, low, high, rho, linearised, effect, effective, df, quantile)


def _parts(events: npt.ArrayLike, sizes: npt.ArrayLike) -> list[Floats]:
    """Return what `PatientSums` adds up, in its order, a patient an entry."""
    y, m = np.asarray(events, dtype=np.float64), np.asarray(sizes, dtype=np.float64)
    own = np.divide(y, m, out=np.zeros_like(m), where=m > 0)
    shares = np.divide(y * y, m, out=np.zeros_like(m), where=m > 0)
    counts = [(m > 0).astype(np.float64), (y > 0).astype(np.float64), m, y]
    return [*counts, m * m, m * y, y * y, shares, own]


def _divided(top: npt.ArrayLike, bottom: npt.ArrayLike) -> Floats:
    """Return a quotient, not-a-number where divided by 0."""
    above, below = np.broadcast_arrays(
        np.asarray(top, dtype=np.float64), np.asarray(bottom, dtype=np.float64)
    )
    quotient: Floats = np.full(above.shape, np.nan)
    np.divide(above, below, out=quotient, where=below != 0)
    return quotient
