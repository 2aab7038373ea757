"""What readers find of drawn screws whose truth is known: misses, false alarms, bias wall by wall.

Screws are taken as independent: readings of one drawn scan may be alike, so the intervals are a
little too narrow, and whoever prints them says so.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from statistics import fmean, median, stdev
from typing import TYPE_CHECKING, Any

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.known_truth import judge, seen_truth
from registry.domain.scales import SCALES, grade
from reports.statistics.agreement import Weights, kappa
from reports.statistics.estimate import Estimate
from reports.statistics.intervals import normal_quantile, student_quantile, wilson

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    from registry.domain.known_truth import Judged

_CONFIDENCE = 0.95


@dataclass(frozen=True)
class TruthRow:
    """A reading of a drawn screw; extents in whole tenths, None where there is none."""

    level: str
    truth_mm: Mapping[Direction, Decimal | None]
    read_mm: Mapping[Direction, Decimal | None]
    seconds: int | None


@dataclass(frozen=True)
class Share:
    """So many of so many, with the interval of their share (Wilson)."""

    count: int
    of: int
    share: Estimate


@dataclass(frozen=True)
class WallBias:
    """What was read less the truth on one wall, millimetres.

    Attributes
    ----------
    screws : on which both were measured
    bias : the mean difference with its interval (Student's t), None of fewer than two
    lower, upper : within which 95% of the differences are expected to lie
    """

    wall: Direction
    screws: int
    bias: Estimate
    lower: float | None
    upper: float | None


@dataclass(frozen=True)
class ReaderTruth:
    """One reader's readings of drawn screws, or everybody's.

    Attributes
    ----------
    read : screws
    graded : of those, with a grade
    exact : same grade on the unit's scale as the truth
    kappa : quadratic weights; None where undefined
    missed : of those that stand 2 mm or more outside, read as less
    called_contained : of those that stand outside at all, read as contained
    false_alarms : of those that do not stand 2 mm outside, read as 2 mm or more
    walls : pedicle walls in their order
    median_seconds : a reading
    """

    name: str
    read: int
    graded: int
    exact: Share
    kappa: float | None
    missed: Share
    called_contained: Share
    false_alarms: Share
    walls: tuple[WallBias, ...]
    median_seconds: float | None

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON documents hold it."""
        return asdict(self) | {"walls": [asdict(each) | {"wall": each.wall} for each in self.walls]}


def reader_truth(
    name: str, rows: Sequence[TruthRow], *, scale: str, floor_mm: Decimal
) -> ReaderTruth:
    """Return what one reader's readings come to beside the truth.

    Parameters
    ----------
    name : of the reader, or of all of them
    rows : their readings
    scale : of the unit
    floor_mm : under which a truth counts as 0, as a reading's extent does
    """
    seen = [(row, seen_truth(row.truth_mm, floor_mm)) for row in rows]
    judged = [judge(row.level, truth, row.read_mm) for row, truth in seen]
    graded = [each for each in judged if each is not None and each.read_mm is not None]
    pairs = [
        (grade(truth, row.level, scale), grade(row.read_mm, row.level, scale))
        for row, truth in seen
    ]
    both = [(true, read) for true, read in pairs if true is not None and read is not None]
    spent = [row.seconds for row in rows if row.seconds is not None]
    return ReaderTruth(
        name=name,
        read=len(rows),
        graded=len(graded),
        exact=_share(sum(true == read for true, read in both), len(both)),
        kappa=_kappa(both, scale),
        missed=_of(graded, "is_breached", "is_missed"),
        called_contained=_of(graded, "is_outside", "is_called_contained"),
        false_alarms=_share(
            sum(each.is_false_alarm for each in graded),
            sum(not each.is_breached for each in graded),
        ),
        walls=tuple(_bias(wall, seen) for wall in PEDICLE_WALLS),
        median_seconds=float(median(spent)) if spent else None,
    )


def _of(graded: Sequence[Judged], among: str, counted: str) -> Share:
    return _share(
        sum(getattr(each, counted) for each in graded), sum(getattr(each, among) for each in graded)
    )


def _share(count: int, of: int) -> Share:
    if of == 0:
        return Share(0, 0, Estimate())
    limits = wilson(count, of)
    return Share(count, of, Estimate(count / of, limits.low, limits.high))


def _kappa(pairs: Sequence[tuple[str, str]], scale: str) -> float | None:
    grades = SCALES[scale].grades
    if not pairs or any(each not in grades for pair in pairs for each in pair):
        return None
    table = [[0] * len(grades) for _ in grades]
    for true, read in pairs:
        table[grades.index(true)][grades.index(read)] += 1
    found = kappa(table, Weights.QUADRATIC)
    return None if found != found else float(found)  # noqa: PLR0124 - not-a-number is not itself


def _bias(
    wall: Direction, seen: Sequence[tuple[TruthRow, Mapping[Direction, Decimal | None]]]
) -> WallBias:
    differences = [
        float(read - true)
        for row, truth in seen
        if (read := row.read_mm.get(wall)) is not None and (true := truth.get(wall)) is not None
    ]
    count = len(differences)
    if count < 2:  # noqa: PLR2004 - a spread needs two
        return WallBias(wall, count, Estimate(), None, None)
    mean, spread = fmean(differences), stdev(differences)
    half = student_quantile(_CONFIDENCE, count - 1) * spread / count**0.5
    reach = normal_quantile(_CONFIDENCE) * spread
    return WallBias(
        wall, count, Estimate(mean, mean - half, mean + half), mean - reach, mean + reach
    )
