"""Agreement of readers: pairs of blind readings of the same screw on the same scan, in numbers.

Rows of a table are the grades of the first reading, columns those of the second.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reports.statistics.agreement import (
    Weights,
    ac1s,
    class_agreements,
    interchangeable_kappas,
    kappas,
    weights_of,
)
from reports.statistics.clustered import UnitClustering, anova_icc, clustered_interval
from reports.statistics.differences_of_readers import LimitsOfAgreement, limits_of_agreement, slope
from reports.statistics.estimate import Estimate
from reports.statistics.intraclass import agreements as icc_2_1
from reports.statistics.intraclass import consistencies as icc_3_1
from reports.statistics.intraclass import row_sums
from reports.statistics.jackknife import cluster_sums, jackknife

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_DAYS_IN_YEAR = 365.25


@dataclass(frozen=True)
class ReadPair:
    """Two blind readings of one screw on one scan, both with a grade.

    Attributes
    ----------
    patient : pseudonym
    readers : person ids, of the first reading and of the second
    grades : of each, on the unit's scale
    extents_mm : greatest pedicle extent of each
    read_on : day of each
    why : why the screw was read twice, in words
    """

    patient: str
    readers: tuple[int, int]
    grades: tuple[str, str]
    extents_mm: tuple[float, float]
    read_on: tuple[date, date]
    why: str

    @property
    def is_same_grade(self) -> bool:
        """Whether both gave the same grade."""
        return self.grades[0] == self.grades[1]

    @property
    def has_breach(self) -> bool:
        """Whether either found any breach."""
        return max(self.extents_mm) > 0


@dataclass(frozen=True)
class ClassAgreement:
    """How far readers confirm one another's use of one grade.

    Attributes
    ----------
    grade : of the scale
    first, second : screws that the first and the second reading gave it
    agreement : the share of these uses that the other reading confirms
    """

    grade: str
    first: int
    second: int
    agreement: Estimate


@dataclass(frozen=True)
class Agreement:
    """What pairs of readings show.

    Attributes
    ----------
    screws, patients : pairs, and the patients they are of
    scale, grades : the unit's scale and its grades, in order
    table : pairs by grade; a row each grade of the first reading, a column each of the second
    observed : share with the same grade
    breached : pairs of which either reading found a breach
    observed_breached : of those, the share with the same grade
    kappa : by name of the weights
    interchangeable : Fleiss' kappa, the two readings of a screw as those of any two readers
    ac1 : Gwet's
    classes : grade by grade
    icc_2_1, icc_3_1 : of the greatest extents in mm, all pairs
    breached_icc_2_1, breached_icc_3_1 : of the pairs of which either found a breach
    limits : of the second reading's mm less the first's
    """

    screws: int
    patients: int
    scale: str
    grades: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    observed: Estimate
    breached: int
    observed_breached: Estimate
    kappa: dict[Weights, Estimate]
    interchangeable: Estimate
    ac1: Estimate
    classes: tuple[ClassAgreement, ...]
    icc_2_1: Estimate
    icc_3_1: Estimate
    breached_icc_2_1: Estimate
    breached_icc_3_1: Estimate
    limits: LimitsOfAgreement

    def as_json(self) -> dict[str, object]:
        """Return it as `agreement --format json` prints it."""
        return {
            "screws": self.screws,
            "patients": self.patients,
            "scale": self.scale,
            "table": [list(row) for row in self.table],
            "observed": self.observed.value,
            "kappa": {name.value: found.as_json() for name, found in self.kappa.items()},
            "ac1": self.ac1.as_json(),
            "icc_2_1": self.icc_2_1.as_json(),
            "icc_3_1": self.icc_3_1.as_json(),
            "bland_altman": {
                "bias": self.limits.bias.as_json(),
                "sd": self.limits.sd,
                "lower": self.limits.lower.as_json(),
                "upper": self.limits.upper.as_json(),
            },
        }


@dataclass(frozen=True)
class GroupAgreement:
    """Some of the pairs: of one reason, or of two readers."""

    name: str
    screws: int
    patients: int
    observed: Estimate
    kappa: Estimate
    ac1: Estimate
    bias: Estimate


@dataclass(frozen=True)
class Drift:
    """One reader against all the others, over time.

    Attributes
    ----------
    reader : person id
    screws : pairs that they are part of
    bias : their mm less the other's, on average
    slope : change of that in mm a year
    years : by half-year of reading: its words, the pairs and the bias
    """

    reader: int
    screws: int
    bias: Estimate
    slope: Estimate
    years: tuple[tuple[str, int, Estimate], ...]


def agreement(
    pairs: Sequence[ReadPair], scale: str, grades: Sequence[str], confidence: float = 0.95
) -> Agreement:
    """Return what the pairs show; intervals allow for screws that share a patient.

    `grades` are all of the scale in their order. Kappa, AC1, correlations and limits leave out one
    patient at a time; shares are score intervals on effective screws, as rates are.
    """
    patients = np.array([pair.patient for pair in pairs], dtype=object)
    cells = _cells(pairs, grades)
    size = len(grades)
    sums = cluster_sums(cells, patients) if len(pairs) else np.zeros((0, size * size))
    extents = np.array([pair.extents_mm for pair in pairs], dtype=np.float64).reshape(-1, 2)
    breached = np.array([pair.has_breach for pair in pairs], dtype=bool)

    def of_tables(statistic: Callable[[Floats], Floats], low: float = -1.0) -> Estimate:
        return jackknife(
            sums,
            lambda each: statistic(each.reshape(*each.shape[:-1], size, size)),
            confidence,
            (low, 1.0),
        )

    def of_mm(statistic: Callable[[Floats], Floats], chosen: npt.NDArray[np.bool_]) -> Estimate:
        if not chosen.any():
            return Estimate()
        rows = cluster_sums(row_sums(extents[chosen]), patients[chosen])
        return jackknife(rows, statistic, confidence, (-1.0, 1.0))

    everything = np.ones(len(pairs), dtype=bool)
    table = cells.sum(axis=0).reshape(size, size).astype(int)
    return Agreement(
        screws=len(pairs),
        patients=len(set(patients)),
        scale=scale,
        grades=tuple(grades),
        table=tuple(tuple(map(int, row)) for row in table),
        observed=_share(pairs, confidence),
        breached=int(breached.sum()),
        observed_breached=_share([pair for pair in pairs if pair.has_breach], confidence),
        kappa={
            name: of_tables(lambda each, name=name: kappas(each, weights_of(name, size)))  # type: ignore[misc]
            for name in Weights
        },
        interchangeable=of_tables(interchangeable_kappas),
        ac1=of_tables(ac1s),
        classes=tuple(
            ClassAgreement(
                grade,
                int(table[place].sum()),
                int(table[:, place].sum()),
                of_tables(lambda each, place=place: class_agreements(each, place), 0.0),  # type: ignore[misc]
            )
            for place, grade in enumerate(grades)
        ),
        icc_2_1=of_mm(icc_2_1, everything),
        icc_3_1=of_mm(icc_3_1, everything),
        breached_icc_2_1=of_mm(icc_2_1, breached),
        breached_icc_3_1=of_mm(icc_3_1, breached),
        limits=limits_of_agreement(extents[:, 1] - extents[:, 0], patients, confidence),
    )


def group_agreement(
    name: str, pairs: Sequence[ReadPair], grades: Sequence[str], confidence: float = 0.95
) -> GroupAgreement:
    """Return a line about some of the pairs."""
    found = agreement(pairs, "", grades, confidence)
    return GroupAgreement(
        name,
        found.screws,
        found.patients,
        found.observed,
        found.kappa[Weights.QUADRATIC],
        found.ac1,
        found.limits.bias,
    )


def by_reason(
    pairs: Sequence[ReadPair], grades: Sequence[str], confidence: float = 0.95
) -> tuple[GroupAgreement, ...]:
    """Return a line a reason for reading twice, alphabetical."""
    reasons = sorted({pair.why for pair in pairs})
    return tuple(
        group_agreement(why, [pair for pair in pairs if pair.why == why], grades, confidence)
        for why in reasons
    )


def by_readers(
    pairs: Sequence[ReadPair],
    grades: Sequence[str],
    labels: dict[int, str],
    confidence: float = 0.95,
) -> tuple[GroupAgreement, ...]:
    """Return a line for each two readers, by their labels.

    Which of the two read first does not matter: every pair is turned so that the difference is the
    second named reader's mm less the first named one's.
    """
    turned = [
        pair if labels[pair.readers[0]] <= labels[pair.readers[1]] else _turned(pair)
        for pair in pairs
    ]
    couples = sorted(
        {pair.readers for pair in turned}, key=lambda two: [labels[one] for one in two]
    )
    return tuple(
        group_agreement(
            f"{labels[two[0]]} and {labels[two[1]]}",
            [pair for pair in turned if pair.readers == two],
            grades,
            confidence,
        )
        for two in couples
    )


def drifts(pairs: Sequence[ReadPair], confidence: float = 0.95) -> tuple[Drift, ...]:
    """Return each reader against all the others, by half-year of their own readings."""
    readers = {reader for pair in pairs for reader in pair.readers}
    return tuple(_drift(reader, pairs, confidence) for reader in sorted(readers))


def _drift(reader: int, pairs: Sequence[ReadPair], confidence: float) -> Drift:
    own = [
        _turned(pair) if pair.readers[0] == reader else pair
        for pair in pairs
        if reader in pair.readers
    ]
    apart = [pair.extents_mm[1] - pair.extents_mm[0] for pair in own]
    patients = [pair.patient for pair in own]
    days = [pair.read_on[1].toordinal() / _DAYS_IN_YEAR for pair in own]
    halves = [_half_year(pair.read_on[1]) for pair in own]
    return Drift(
        reader=reader,
        screws=len(own),
        bias=limits_of_agreement(apart, patients, confidence).bias,
        slope=slope(days, apart, patients, confidence),
        years=tuple(
            (words, len(chosen), _bias([apart[n] for n in chosen], [patients[n] for n in chosen]))
            for words in sorted(set(halves))
            for chosen in [[n for n, half in enumerate(halves) if half == words]]
        ),
    )


def _bias(apart: list[float], patients: list[str]) -> Estimate:
    return limits_of_agreement(apart, patients).bias


def _half_year(day: date) -> str:
    return f"{day.year}, {'first' if day.month <= 6 else 'second'} half"  # noqa: PLR2004 - June


def _turned(pair: ReadPair) -> ReadPair:
    """Return the same pair with the second reading first."""
    return ReadPair(
        pair.patient,
        pair.readers[::-1],
        pair.grades[::-1],
        pair.extents_mm[::-1],
        pair.read_on[::-1],
        pair.why,
    )


def _cells(pairs: Sequence[ReadPair], grades: Sequence[str]) -> Floats:
    """Return one row a pair with a 1 in the cell of its two grades."""
    place = {grade: number for number, grade in enumerate(grades)}
    cells = np.zeros((len(pairs), len(grades) ** 2))
    for number, pair in enumerate(pairs):
        cells[number, place[pair.grades[0]] * len(grades) + place[pair.grades[1]]] = 1
    return cells


def _share(pairs: Sequence[ReadPair], confidence: float) -> Estimate:
    """Return the share with the same grade: the default interval of its opposite, turned round.

    Disagreement is the rarer of the two, and what its patients tell is what the interval knows.
    """
    if not pairs:
        return Estimate()
    _, patient = np.unique([pair.patient for pair in pairs], return_inverse=True)
    sizes = np.bincount(patient)
    apart = np.bincount(patient, [not pair.is_same_grade for pair in pairs]).astype(np.int64)
    unit = UnitClustering(len(sizes), int((apart > 0).sum()), anova_icc(apart, sizes))
    found = clustered_interval(apart, sizes, unit, confidence)
    return Estimate(1 - found.rate, 1 - found.interval.high, 1 - found.interval.low)
