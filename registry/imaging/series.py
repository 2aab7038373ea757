"""The CT series among many slices: what each is, and which one is read.

The rule, in this order: the series is axial (its planes within 30 degrees of the transverse
plane), makes one volume of at least eight slices (`geometry` says when), the caller has nothing
against it (another patient, before the operation), and no other such series

1. is not called intra-operative where this one is,
2. is an original where this one is derived,
3. has a finer slice step (counted in twentieths of a millimetre),
4. has a sharper kernel, as for bone,
5. has more slices.

What is still equal is settled by the series identifier, so that the order of files never matters.
Slice step before kernel: a missing millimetre of cortex cannot be sharpened back. Between studies
or patients the rule does not choose: a person does. Settings of ours, no source.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from registry.imaging.kinds import SeriesKind
from registry.imaging.left_behind import LeftBehind
from registry.imaging.sources import printable

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from registry.imaging.geometry import Stack
    from registry.imaging.slices import SliceHeader

Orientation = Literal["axial", "sagittal", "coronal", "oblique"]
THICK_MM = 2.0
BURNED_IN = "its header announces burned-in text, which may name the patient"
_SAME_STEP_MM = 0.05
_REFORMATTED = {"REFORMATTED", "MPR"}
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
    is_burned_in: bool
    is_intra_operative: bool
    fault: str

    @property
    def kind(self) -> SeriesKind:
        """Return what the series is: reformat, intra-operative, thick, or thin and its kernel."""
        if self.orientation != "axial" or _REFORMATTED & set(self.image_type):
            return SeriesKind.REFORMAT
        if self.is_intra_operative:
            return SeriesKind.INTRA_OPERATIVE_3D
        if max(self.step_mm or 0.0, self.thickness_mm or 0.0) > THICK_MM:
            return SeriesKind.AXIAL_THICK
        return _THIN[_sharpness(self.kernel)]

    @property
    def words(self) -> str:
        """Return the series in a few words."""
        slices = "1 slice" if self.slices == 1 else f"{self.slices} slices"
        step = f" {self.step_mm:.2f} mm apart" if self.step_mm is not None else ""
        kernel = f", kernel {printable(self.kernel)}" if self.kernel else ""
        return f"{self.orientation} CT series of {slices}{step}{kernel}"


@dataclass(frozen=True)
class FoundSeries:
    """A CT series that was found, in order where it makes a volume.

    Attributes
    ----------
    number : its number in the survey's listing, by which a person may choose it
    left_behind : the attributes of its files, gathered without values
    """

    summary: SeriesSummary
    members: tuple[SliceHeader, ...] = field(repr=False)
    volume: Stack | None = field(repr=False)
    number: int = 0
    left_behind: LeftBehind = field(default_factory=LeftBehind, repr=False, compare=False)

    @property
    def patient_id(self) -> str:
        """Return the hospital's number in the files, for the caller to hash and forget."""
        return self.members[0].origin.patient_id

    @property
    def birth_date(self) -> str:
        """Return the birth date in the files, YYYYMMDD, or nothing."""
        return self.members[0].origin.birth_date

    @property
    def study_uid(self) -> str:
        """Return the hospital's identifier of the study."""
        return self.members[0].origin.study_uid

    @property
    def series_uid(self) -> str:
        """Return the hospital's identifier of the series."""
        return self.members[0].origin.series_uid

    @property
    def is_readable(self) -> bool:
        """Say whether it may be chosen."""
        return self.volume is not None and not self.summary.fault

    @property
    def may_be_confirmed(self) -> bool:
        """Say whether nothing but announced burned-in text stands against it."""
        return self.volume is not None and self.summary.fault == BURNED_IN

    @property
    def rank(self) -> tuple[float, ...]:
        """Return what the best series has least of, in the order of the rule."""
        step_mm = self.summary.step_mm if self.summary.step_mm is not None else math.inf
        return (
            1 if self.summary.is_intra_operative else 0,
            0 if self.summary.is_original else 1,
            # The quarter keeps usual steps (0.625, 1.25, 0.9) away from the edge of a bin.
            math.floor(step_mm / _SAME_STEP_MM + 0.75) if math.isfinite(step_mm) else math.inf,
            -_sharpness(self.summary.kernel),
            -self.summary.slices,
        )


_LOSES_BY = (
    "it is called intra-operative and the one taken is not",
    "it is derived and the one taken is original",
    "its slices are further apart than those of the one taken",
    "its kernel is softer than that of the one taken",
    "it has fewer slices than the one taken",
)


def best_of(readable: Sequence[FoundSeries]) -> FoundSeries | None:
    """Return the series to read by the module's rule."""
    return min(readable, key=lambda one: (*one.rank, one.series_uid), default=None)


def why_not_taken(series: FoundSeries, taken: FoundSeries | None) -> str:
    """Return why a series is left out beside the one that was taken."""
    if series.summary.fault or taken is None:
        return series.summary.fault
    if series.study_uid != taken.study_uid:
        return "it is of another study than the one taken"
    for own, better, words in zip(series.rank, taken.rank, _LOSES_BY, strict=True):
        if own > better:
            return words
        if own < better:
            return "another was chosen"
    return "it equals the one taken in every respect asked"


def _sharpness(kernel: str) -> int:
    """Return 2 for a kernel that says bone, 0 for one that says soft, 1 for any other."""
    name = kernel.upper()
    if _SHARP.search(name):
        return 2
    return 0 if _SOFT.search(name) else 1


_THIN = (SeriesKind.AXIAL_SOFT, SeriesKind.AXIAL_THIN, SeriesKind.AXIAL_BONE)
