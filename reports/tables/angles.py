"""Angles and sizes of screws: how they lie against the usual, and how often with a breach.

An angle outside the usual range is a note and no fault: anatomy decides, and the sources differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.levels import LEVELS
from registry.domain.usual_angles import UsualAngle, usual_convergence, usual_sagittal
from reports.statistics.estimate import Estimate
from reports.tables.counting import ScrewColumns
from reports.tables.rate_intervals import intervals
from reports.tables.splits import NOT_STATED, IntervalName

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt
    import pandas as pd

    from reports.tables.rates import Question

    Mask = npt.NDArray[np.bool_]

BELOW, WITHIN, ABOVE = "below the usual range", "within the usual range", "above the usual range"
NO_RANGE, NOT_MEASURED = "no usual range known", "angle not measured"

# Upper ends of the bands, mm, the end itself in the band above; ours.
DIAMETER_BANDS = (4.5, 5.5, 6.5, 7.5)
LENGTH_BANDS = (30.0, 35.0, 40.0, 45.0, 50.0)

_ORDER = [item.code for item in LEVELS]


@dataclass(frozen=True)
class Lie:
    """How one screw lies: degrees and mm, None where not measured or stated."""

    convergence_deg: float | None = None
    sagittal_deg: float | None = None
    length_mm: float | None = None


@dataclass(frozen=True)
class Band:
    """Some screws and how many of them are an event.

    Attributes
    ----------
    name : of the band
    patients, screws, events : of the screws that can be judged
    share : with its interval; nothing below the minimum
    """

    name: str
    patients: int
    screws: int
    events: int
    share: Estimate


@dataclass(frozen=True)
class LevelAngles:
    """One level's angle under one usual range.

    Attributes
    ----------
    level : code
    technique : where the range is that technique's own, else ''
    measured : screws
    mean, sd, least, greatest : degrees; sd None below two
    usual : the range, None where no figure was readable
    outside : screws outside it; None without a range
    """

    level: str
    technique: str
    measured: int
    mean: float
    sd: float | None
    least: float
    greatest: float
    usual: UsualAngle | None
    outside: int | None

    @property
    def name(self) -> str:
        """Return the line's name: L3, or L3 isthmus."""
        return f"{self.level} {self.technique}".strip()


@dataclass(frozen=True)
class AngleTables:
    """One angle: by level, by technique, and breach by where it lies.

    Attributes
    ----------
    levels : cranial first
    techniques : share of screws outside the usual range, alphabetical
    breaches : share with a breach, by where the angle lies
    """

    levels: tuple[LevelAngles, ...]
    techniques: tuple[Band, ...]
    breaches: tuple[Band, ...]

    @property
    def sources(self) -> tuple[tuple[str, str], ...]:
        """Return where the ranges are from: each source, and the lines that it is for."""
        named: dict[str, list[str]] = {}
        for each in self.levels:
            source = "no figure was readable" if each.usual is None else each.usual.source
            named.setdefault(source, []).append(each.name)
        return tuple((source, ", ".join(names)) for source, names in named.items())


@dataclass(frozen=True)
class AnglesAndSizes:
    """Everything about how screws lie and how large they are.

    Attributes
    ----------
    question : period and what a breach is
    convergence, sagittal : each angle
    diameters, lengths : share with a breach, by band
    """

    question: Question
    convergence: AngleTables
    sagittal: AngleTables
    diameters: tuple[Band, ...]
    lengths: tuple[Band, ...]


def angles_and_sizes(
    unit: pd.DataFrame, question: Question, lies: dict[int, Lie]
) -> AnglesAndSizes:
    """Return the tables of the screws asked about; intervals pool the whole unit as rates do.

    Parameters
    ----------
    unit : the frame of every counted screw up to the period's end
    question : period, event and the least number of screws for a share; no split
    lies : by screw
    """
    counted = _Counted(unit, question)
    found = [lies.get(int(screw), Lie()) for screw in unit["screw_id"]]
    convergence = np.array([_nan(each.convergence_deg) for each in found])
    sagittal = np.array([_nan(each.sagittal_deg) for each in found])
    length = np.array([_nan(each.length_mm) for each in found])
    diameter = unit["diameter_mm"].to_numpy(dtype=np.float64)
    return AnglesAndSizes(
        question=question,
        convergence=_tables(counted, convergence, usual_convergence),
        sagittal=_tables(counted, sagittal, usual_sagittal),
        diameters=counted.breaches(*_sizes(diameter, DIAMETER_BANDS)),
        lengths=counted.breaches(*_sizes(length, LENGTH_BANDS)),
    )


class _Counted:
    """The unit's screws, which of them are asked about, and how bands of them are counted."""

    def __init__(self, unit: pd.DataFrame, question: Question) -> None:
        self.unit = unit
        self.question = question
        self.columns = ScrewColumns.of(unit, question.event)
        day = unit["operated_on"].to_numpy()
        self.pooled: Mask = np.ones(len(unit), dtype=np.bool_)
        if question.end:
            self.pooled = self.pooled & (day <= np.datetime64(question.end))
        self.asked = self.pooled & unit["pedicle"].to_numpy(dtype=np.bool_)
        if question.start:
            self.asked = self.asked & (day >= np.datetime64(question.start))

    def breaches(self, names: Sequence[str], of: npt.NDArray[np.int64]) -> tuple[Band, ...]:
        """Return each band's share with a breach; `of` is the band of each screw."""
        return self._bands(self.columns, names, of)

    def outside(
        self, names: Sequence[str], of: npt.NDArray[np.int64], judged: Mask, is_outside: Mask
    ) -> tuple[Band, ...]:
        """Return each band's share outside the usual range, of the screws that can be judged."""
        columns = ScrewColumns(
            graded=judged,
            breached=judged & is_outside,
            imaged=self.columns.imaged,
            provisional=self.columns.provisional,
            patient=self.columns.patient,
            patients=self.columns.patients,
        )
        return self._bands(columns, names, of)

    def _bands(
        self, columns: ScrewColumns, names: Sequence[str], of: npt.NDArray[np.int64]
    ) -> tuple[Band, ...]:
        clustering = columns.unit_clustering(self.pooled, self.unit["surgeon"])
        counted = columns.counts(np.where(self.asked, of, -1), len(names))
        made = intervals(counted, clustering, IntervalName.CLUSTERED, self.question.confidence)
        bands = []
        for at, name in enumerate(names):
            screws, events = int(counted.graded[at]), int(counted.breached[at])
            if not screws:
                continue
            is_shown = screws >= self.question.minimum
            share = Estimate(events / screws, made[at].low, made[at].high)
            patients = int(counted.sums.patients[at])
            bands.append(Band(name, patients, screws, events, share if is_shown else Estimate()))
        return tuple(bands)


def _tables(
    counted: _Counted,
    angles: npt.NDArray[np.float64],
    usual: Callable[[str, str], UsualAngle | None],
) -> AngleTables:
    unit = counted.unit
    pairs = list(zip(unit["level"], unit["entry_technique"], strict=True))
    known = {pair: usual(*pair) for pair in set(pairs)}
    ranges = [known[pair] for pair in pairs]
    low = np.array([np.nan if each is None else each.low for each in ranges])
    high = np.array([np.nan if each is None else each.high for each in ranges])
    is_measured, has_range = ~np.isnan(angles), ~np.isnan(low)
    judged = is_measured & has_range
    place = np.select(
        [~is_measured, ~has_range, angles < low, angles > high], [4, 3, 0, 2], default=1
    ).astype(np.int64)
    techniques, of = np.unique(unit["entry_technique"].to_numpy(dtype=object), return_inverse=True)
    return AngleTables(
        levels=_levels(
            unit[counted.asked & is_measured], angles[counted.asked & is_measured], usual
        ),
        techniques=counted.outside(
            list(techniques), of.reshape(-1).astype(np.int64), judged, np.isin(place, (0, 2))
        ),
        breaches=counted.breaches((BELOW, WITHIN, ABOVE, NO_RANGE, NOT_MEASURED), place),
    )


def _levels(
    measured: pd.DataFrame,
    angles: npt.NDArray[np.float64],
    usual: Callable[[str, str], UsualAngle | None],
) -> tuple[LevelAngles, ...]:
    """Return a row a level and range: a technique with a range of its own has its own row."""
    rows = []
    level, technique = measured["level"].to_numpy(), measured["entry_technique"].to_numpy()
    for code in _ORDER:
        here = level == code
        common = usual(code, "")
        own = {name for name in technique[here] if usual(code, name) != common}
        for name in ("", *sorted(own)):
            chosen = here & ((technique == name) if name else ~np.isin(technique, sorted(own)))
            if chosen.any():
                rows.append(_level(code, name, angles[chosen], usual(code, name)))
    return tuple(rows)


def _level(
    code: str, technique: str, angles: npt.NDArray[np.float64], usual: UsualAngle | None
) -> LevelAngles:
    outside = None
    if usual is not None:
        outside = sum(not usual.contains(float(angle)) for angle in angles)
    return LevelAngles(
        level=code,
        technique=technique,
        measured=len(angles),
        mean=float(angles.mean()),
        sd=float(angles.std(ddof=1)) if len(angles) > 1 else None,
        least=float(angles.min()),
        greatest=float(angles.max()),
        usual=usual,
        outside=outside,
    )


def _sizes(
    sizes: npt.NDArray[np.float64], ends: Sequence[float]
) -> tuple[list[str], npt.NDArray[np.int64]]:
    """Return the names of the bands, the last of them for what is not stated, and each place."""
    names = [f"under {ends[0]:g} mm"]
    names += [f"{low:g} to under {high:g} mm" for low, high in pairwise(ends)]
    names += [f"{ends[-1]:g} mm and more", NOT_STATED]
    place = np.searchsorted(np.asarray(ends), sizes, side="right").astype(np.int64)
    return names, np.where(np.isnan(sizes), len(ends) + 1, place)


def _nan(value: float | None) -> float:
    return np.nan if value is None else value
