"""The CT series among many slices: what each is, and which one is read.

The rule, in this order: the series is axial (its planes within 30 degrees of the transverse
plane), has at least eight slices that step evenly, and no other such series

1. is an original where this one is derived,
2. has a finer slice step (counted in twentieths of a millimetre),
3. has a sharper kernel, as for bone,
4. has more slices.

What is still equal is settled by the series identifier, so that the order of files never matters.
Slice step before kernel: a missing millimetre of cortex cannot be sharpened back. Settings of
ours, no source.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import TYPE_CHECKING, Literal

from registry.imaging.geometry import NotAVolumeError, Stack, stack
from registry.imaging.sources import LeftOut, printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from registry.imaging.slices import SliceHeader

Orientation = Literal["axial", "sagittal", "coronal", "oblique"]
AXIAL_WITHIN_DEG = 30.0
THICK_MM = 2.0
_SAME_STEP_MM = 0.05
_SAME_DIRECTION = 1e-3
_SAME_PIXEL_MM = 1e-4
# Kernels are each maker's own words; these two marks are from memory, not verified.
_SHARP = re.compile(r"BONE|EDGE|SHARP|^[A-Z]{1,2}[6-9]\d")
_SOFT = re.compile(r"SOFT|SMOOTH|STANDARD|STD|^[A-Z]{1,2}[1-4]\d")


@dataclass(frozen=True)
class SeriesSummary:
    """What can be said of a series without naming anybody.

    Attributes
    ----------
    place : the folder or zip that its files lie in, as shown
    step_mm : between neighbouring planes; None where they do not step evenly
    fault : why it cannot be read as a volume, in words; empty when it can
    """

    place: str
    slices: int
    rows: int
    columns: int
    orientation: Orientation
    step_mm: float | None
    thickness_mm: float | None
    pixel_mm: tuple[float, float]
    kernel: str
    image_type: tuple[str, ...]
    acquired_on: date | None
    patient_position: str
    is_lossy: bool
    has_contrast: bool
    is_original: bool
    fault: str

    @property
    def words(self) -> str:
        """Return the series in a few words."""
        slices = "1 slice" if self.slices == 1 else f"{self.slices} slices"
        step = f" {self.step_mm:.2f} mm apart" if self.step_mm is not None else ""
        kernel = f", kernel {printable(self.kernel)}" if self.kernel else ""
        return f"{self.orientation} CT series of {slices}{step}{kernel}"


@dataclass(frozen=True)
class FoundSeries:
    """A series that was found, in order where it makes a volume."""

    summary: SeriesSummary
    members: tuple[SliceHeader, ...] = field(repr=False)
    volume: Stack | None = field(repr=False)

    @property
    def is_readable(self) -> bool:
        """Say whether it may be chosen."""
        return self.volume is not None and not self.summary.fault

    @property
    def rank(self) -> tuple[float, ...]:
        """Return what the best series has least of, in the order of the rule."""
        step_mm = self.summary.step_mm if self.summary.step_mm is not None else math.inf
        return (
            0 if self.summary.is_original else 1,
            # The quarter keeps usual steps (0.625, 1.25, 0.9) away from the edge of a bin.
            math.floor(step_mm / _SAME_STEP_MM + 0.75) if math.isfinite(step_mm) else math.inf,
            -_sharpness(self.summary.kernel),
            -self.summary.slices,
        )


_LOSES_BY = (
    "it is derived and the one taken is original",
    "its slices are further apart than those of the one taken",
    "its kernel is softer than that of the one taken",
    "it has fewer slices than the one taken",
)


def group(slices: Iterable[SliceHeader]) -> list[FoundSeries]:
    """Return the slices by series, orientation, shape and spacing, each looked at."""
    groups: list[list[SliceHeader]] = []
    by_series: dict[str, list[list[SliceHeader]]] = {}
    for each in sorted(slices, key=lambda one: (one.series_uid, one.sop_uid)):
        candidates = by_series.setdefault(each.series_uid, [])
        for members in candidates:
            if _alike(members[0], each):
                members.append(each)
                break
        else:
            candidates.append([each])
            groups.append(candidates[-1])
    return [_look_at(members) for members in groups]


def choose(found: Sequence[FoundSeries]) -> tuple[FoundSeries | None, list[LeftOut]]:
    """Return the series to read by the module's rule, and why each of the others is left out."""
    readable = [each for each in found if each.is_readable]
    best = min(readable, key=lambda one: (*one.rank, one.members[0].series_uid), default=None)
    left_out = [
        LeftOut(each.summary.place, each.summary.words, _why(each, best))
        for each in found
        if each is not best
    ]
    return best, left_out


def _why(series: FoundSeries, best: FoundSeries | None) -> str:
    if series.summary.fault or best is None:
        return series.summary.fault
    for own, better, words in zip(series.rank, best.rank, _LOSES_BY, strict=True):
        if own != better:
            return words
    return "it equals the one taken in every respect asked"


def _alike(one: SliceHeader, other: SliceHeader) -> bool:
    def near(a: Sequence[float], b: Sequence[float], tolerance: float) -> bool:
        return all(abs(x - y) <= tolerance for x, y in zip(a, b, strict=True))

    return (
        (one.rows, one.columns, one.frame_uid) == (other.rows, other.columns, other.frame_uid)
        and near(one.orientation, other.orientation, _SAME_DIRECTION)
        and near(one.pixel_mm, other.pixel_mm, _SAME_PIXEL_MM)
    )


def _look_at(members: list[SliceHeader]) -> FoundSeries:
    first = members[0]
    orientation = _orientation(first)
    volume, fault = None, ""
    try:
        volume = stack(members)
    except NotAVolumeError as error:
        fault = str(error)
    if len({each.patient_id for each in members}) > 1:
        fault = "its slices carry different patient identifiers"
    elif not fault and orientation != "axial":
        fault = f"it is {orientation}; an axial series is read"
    summary = SeriesSummary(
        place=_place(members),
        slices=len(volume.slices) if volume else len(members),
        rows=first.rows,
        columns=first.columns,
        orientation=orientation,
        step_mm=volume.step_mm if volume else None,
        thickness_mm=max((each.thickness_mm or 0.0 for each in members), default=0.0) or None,
        pixel_mm=first.pixel_mm,
        kernel=first.kernel,
        image_type=first.image_type,
        acquired_on=min(
            (each.acquired_on for each in members if each.acquired_on is not None), default=None
        ),
        patient_position=first.patient_position,
        is_lossy=any(each.is_lossy for each in members),
        has_contrast=any(each.has_contrast for each in members),
        is_original="ORIGINAL" in first.image_type and "SECONDARY" not in first.image_type,
        fault=fault,
    )
    return FoundSeries(summary, tuple(members), volume)


def _orientation(header: SliceHeader) -> Orientation:
    """Return the plane that the slice lies in, to within 30 degrees, else oblique."""
    (a, b, c), (d, e, f) = header.row_direction, header.column_direction
    normal = (b * f - c * e, c * d - a * f, a * e - b * d)
    names: tuple[Orientation, ...] = ("sagittal", "coronal", "axial")
    size, name = max(zip(map(abs, normal), names, strict=True))
    return name if size >= math.cos(math.radians(AXIAL_WITHIN_DEG)) else "oblique"


def _sharpness(kernel: str) -> int:
    """Return 2 for a kernel that says bone, 0 for one that says soft, 1 for any other."""
    name = kernel.upper()
    if _SHARP.search(name):
        return 2
    return 0 if _SOFT.search(name) else 1


def _place(members: Sequence[SliceHeader]) -> str:
    return common_place([each.source.name for each in members])


def common_place(names: Sequence[str]) -> str:
    """Return the one name, or the folder that all lie in with their number."""
    if len(names) == 1:
        return names[0]
    parts = [PurePath(name).parent.parts for name in names]
    shared = 0
    for level in zip(*parts, strict=False):
        if len(set(level)) > 1:
            break
        shared += 1
    folder = PurePath(*parts[0][:shared])
    return f"{folder} ({len(names)} files)"
