"""Proportions whose observations share a patient, and the interval shown by default.

In the formulas m is a patient's graded screws, y the events among them, K the number of patients
with a graded screw, n the sum of m and x the sum of y. A patient without a graded screw is never
counted in K.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reports.statistics.intervals import Interval
from reports.statistics.patient_sums import PatientSums, default_limits, pooled_correlation

# Counts a patient: whole numbers, one an entry.
Counts = Sequence[int] | npt.NDArray[np.int64]


@dataclass(frozen=True)
class UnitClustering:
    """What the whole unit tells about the clustering of one event within patients.

    Attributes
    ----------
    patients : int, patients with at least one graded screw (K_u)
    patients_with_event : int, patients with at least one event (B_u)
    rho : float or None, the correlation within patients, pooled within surgeons, before the
        floor at 0 (rho_u); None where undefined
    """

    patients: int
    patients_with_event: int
    rho: float | None

    @property
    def pooled_rho(self) -> float:
        """Return the correlation used (rho_p): the unit's own and the prior, by patients.

        Examples
        --------
        >>> round(UnitClustering(patients=19, patients_with_event=4, rho=0.117276).pooled_rho, 5)
        0.10746
        """
        own = np.nan if self.rho is None else self.rho
        return float(pooled_correlation(own, self.patients))


@dataclass(frozen=True)
class ClusteredResult:
    """A proportion, its interval, and all that made the interval.

    Attributes
    ----------
    rate : float, x/n
    interval : Interval, at the confidence asked for
    patients : int, K of the stratum
    patients_with_event : int, its patients with at least one event
    mean_size : float, m_w = sum(m^2)/n, graded screws of the patient of the average screw
    rho : float or None, the stratum's own correlation before the floor at 0 (rho_s)
    pooled_rho : float, the unit's (rho_p)
    linearised : float, the design effect of the linearised variance (d_lin)
    design_effect : float, by how much the patients lessen the number of screws
    effective : float, n divided by the design effect
    df : float, degrees of freedom of the t quantile
    quantile : float, the t quantile
    """

    rate: float
    interval: Interval
    patients: int
    patients_with_event: int
    mean_size: float
    rho: float | None
    pooled_rho: float
    linearised: float
    design_effect: float
    effective: float
    df: float
    quantile: float


def anova_icc(events: Counts, sizes: Counts, groups: Counts | None = None) -> float | None:
    """Return the analysis-of-variance estimate of the correlation within patients.

    rho = (MSB - MSW) / (MSB + (m0 - 1) MSW), with MSB = sum m (p_i - p)^2 / (K - 1),
    MSW = sum y (1 - p_i) / (n - K) and m0 = (n - sum(m^2)/n) / (K - 1). With groups the sums and
    the degrees of freedom are taken within each group and added, so that differences between
    groups do not look like clustering within patients.

    Parameters
    ----------
    events : whole numbers, one a patient (and group), 0 to its size
    sizes : whole numbers, one a patient (and group); entries of 0 are left out
    groups : whole numbers, the group of each entry, such as its surgeon; None for one group

    Returns
    -------
    float or None : may be negative; None where undefined (all sizes 1, fewer than two patients in
        every group, no event, or nothing but events)

    Raises
    ------
    ValueError : the lengths differ, or an event count is outside 0 to its size

    References
    ----------
    Data of Weil 1970 in Rao JNK, Scott AJ. Biometrics 1992;48:577-585, Table 1.

    Examples
    --------
    >>> events = [12, 11, 10, 9, 10, 9, 9, 8, 8, 4, 7, 4, 5, 3, 3, 0]
    >>> sizes = [12, 11, 10, 9, 11, 10, 10, 9, 9, 5, 9, 7, 10, 6, 10, 7]
    >>> round(anova_icc(events, sizes), 6)  # treated litters; re-computed, no published value
    0.372135
    """
    y, m = _counts(events, sizes)
    labels = np.zeros(len(sizes), dtype=np.int64) if groups is None else np.asarray(groups)
    if len(labels) != len(sizes):
        raise ValueError(f"{len(labels)} groups for {len(sizes)} sizes")
    found, group = np.unique(labels[np.asarray(sizes) > 0], return_inverse=True)
    sums = PatientSums.by_stratum(y, m, group.reshape(-1), len(found))
    return _number(sums.spread().pooled().icc())


def linearised_variance(events: Counts, sizes: Counts) -> float | None:
    """Return the variance of x/n with patients as the sampled units (ratio estimator).

    K/(K-1) sum((y - p m)^2) / n^2.

    Parameters
    ----------
    events : whole numbers, one a patient, 0 to its size
    sizes : whole numbers, one a patient; entries of 0 are left out

    Returns
    -------
    float or None : None with fewer than two patients

    Raises
    ------
    ValueError : the lengths differ, or an event count is outside 0 to its size

    References
    ----------
    R package survey 4.1.1, svymean on apiclus1 (ell == 0 by dnum): standard error 0.02285.

    Examples
    --------
    >>> events = [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 0, 0, 0]
    >>> sizes = [13, 34, 4, 13, 16, 2, 1, 4, 12, 21, 9, 11, 37, 2, 4]
    >>> round(linearised_variance(events, sizes) ** 0.5, 5)
    0.02285
    """
    return _number(PatientSums.along_last(*_counts(events, sizes)).linearised_variance())


def design_effect(events: Counts, sizes: Counts) -> float:
    """Return the linearised variance as a multiple of that of independent screws.

    Parameters
    ----------
    events : whole numbers, one a patient, 0 to its size
    sizes : whole numbers, one a patient; entries of 0 are left out

    Returns
    -------
    float : 1 with fewer than two patients, no event, or nothing but events

    Raises
    ------
    ValueError : the lengths differ, or an event count is outside 0 to its size

    References
    ----------
    Rao JNK, Scott AJ. A simple method for the analysis of clustered binary data.
    Biometrics 1992;48:577-585, Table 1; values as in the manual of R package PF, page rsb.

    Examples
    --------
    >>> events = [13, 12, 9, 9, 8, 8, 12, 11, 9, 9, 8, 11, 4, 5, 7, 7]
    >>> sizes = [13, 12, 9, 9, 8, 8, 13, 12, 10, 10, 9, 13, 5, 7, 10, 10]
    >>> round(design_effect(events, sizes), 6)  # control litters
    1.232495
    """
    return float(PatientSums.along_last(*_counts(events, sizes)).linearised_effect())


def unit_clustering(
    events: npt.NDArray[np.bool_], patients: npt.NDArray[np.int64], surgeons: npt.NDArray[np.int64]
) -> UnitClustering:
    """Return the unit's clustering from one entry a graded screw.

    Parameters
    ----------
    events : shape (n,), whether the screw is an event
    patients : shape (n,), a whole number that stands for its patient
    surgeons : shape (n,), a whole number that stands for its responsible surgeon

    Returns
    -------
    UnitClustering : of all the entries; the correlation is pooled within surgeons

    Raises
    ------
    ValueError : the lengths differ

    Examples
    --------
    >>> events = np.array([True, False, False, False, False])
    >>> unit = unit_clustering(events, np.array([1, 1, 2, 2, 3]), np.array([7, 7, 7, 7, 7]))
    >>> unit.patients, unit.patients_with_event, round(unit.rho, 4)  # by hand: -0.10 / 0.30
    (3, 1, -0.3333)
    """
    if not len(events) == len(patients) == len(surgeons):
        raise ValueError(
            f"{len(events)} events, {len(patients)} patients and {len(surgeons)} surgeons"
        )
    who, patient = np.unique(patients, return_inverse=True)
    groups, group = np.unique(surgeons, return_inverse=True)
    cells, cell = np.unique(patient * len(groups) + group, return_inverse=True)
    sizes = np.bincount(cell, minlength=len(cells))
    counted = np.bincount(cell, weights=events, minlength=len(cells)).astype(np.int64)
    places = np.divmod(cells, max(len(groups), 1))
    return pooled_clustering(counted, sizes, *places, (len(who), len(groups)))


def pooled_clustering(
    events: Counts,
    sizes: Counts,
    patients: npt.NDArray[np.int64],
    surgeons: npt.NDArray[np.int64],
    shape: tuple[int, int],
) -> UnitClustering:
    """Return the unit's clustering from one entry a patient and surgeon.

    Parameters
    ----------
    events, sizes : graded screws, 1 or more, and the events among them
    patients, surgeons : of each entry, whole numbers from 0
    shape : how many patients and surgeons are numbered

    Returns
    -------
    UnitClustering : of all the entries; the correlation is pooled within surgeons
    """
    sums = PatientSums.by_stratum(events, sizes, surgeons, shape[1])
    has_event = np.bincount(patients, weights=events, minlength=shape[0]) > 0
    return UnitClustering(
        patients=int(np.count_nonzero(np.bincount(patients, minlength=shape[0]))),
        patients_with_event=int(np.count_nonzero(has_event)),
        rho=_number(sums.spread().pooled().icc()),
    )


def clustered_interval(
    events: Counts, sizes: Counts, unit: UnitClustering, confidence: float = 0.95
) -> ClusteredResult:
    """Return the default interval of a proportion: screws share patients.

    The score interval on the effective number of screws n/deff, where
    deff = max(1 + (m_w - 1) max(rho_s, rho_p), d_lin), with Student's t on
    (B_u + 8) K_u/K degrees of freedom in place of z.

    Parameters
    ----------
    events : whole numbers, one a patient of the stratum, 0 to its size
    sizes : whole numbers, one a patient of the stratum; entries of 0 are left out
    unit : the clustering of the same event in the whole unit, of which the stratum is a part
    confidence : float, above 0 and below 1; another level takes its own t quantile

    Returns
    -------
    ClusteredResult : the rate, its interval, and what made it

    Raises
    ------
    ValueError : no graded screw, an event count outside 0 to its size, more patients than the
        unit has, or `confidence` not between 0 and 1

    References
    ----------
    Ours; no published value exists. The idea of an effective number: Rao JNK, Scott AJ.
    Biometrics 1992;48:577-585.

    Examples
    --------
    >>> unit = UnitClustering(patients=5, patients_with_event=0, rho=None)
    >>> result = clustered_interval([0, 0, 0, 0, 0], [8, 6, 4, 10, 6], unit)
    >>> round(result.effective, 2), result.df, result.interval.rounded(4)
    (22.16, 8.0, (0.0, 0.1935))
    """
    sums = PatientSums.along_last(*_counts(events, sizes))
    k = int(sums.patients)
    if k == 0:
        raise ValueError("no interval without a graded screw")
    if k > unit.patients:
        raise ValueError(f"a stratum of {k} patients in a unit of {unit.patients}")
    found = default_limits(
        sums,
        pooled_rho=unit.pooled_rho,
        unit_patients=unit.patients,
        unit_with_event=unit.patients_with_event,
        confidence=confidence,
    )
    return ClusteredResult(
        rate=float(found.rate),
        interval=Interval(low=float(found.low), high=float(found.high)),
        patients=k,
        patients_with_event=int(sums.with_event),
        mean_size=float(sums.mean_size),
        rho=_number(found.rho),
        pooled_rho=unit.pooled_rho,
        linearised=float(found.linearised),
        design_effect=float(found.design_effect),
        effective=float(found.effective),
        df=float(found.df),
        quantile=float(found.quantile),
    )


def _number(value: npt.NDArray[np.float64]) -> float | None:
    """Return the one number of an array, None for not-a-number."""
    return None if np.isnan(value) else float(value)


def _counts(
    events: Counts, sizes: Counts
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return events and sizes as floats, without the patients that have no graded screw."""
    y, m = np.asarray(events, dtype=np.float64), np.asarray(sizes, dtype=np.float64)
    if len(y) != len(m):
        raise ValueError(f"{len(y)} event counts for {len(m)} sizes")
    if (y < 0).any() or (y > m).any():
        raise ValueError("an event count lies outside 0 to its size")
    return y[m > 0], m[m > 0]
