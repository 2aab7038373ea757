"""Slices into one volume: their order, their step and the affine, from positions alone.

Order, spacing and affine are highdicom's; what is added here is the true step of a sheared stack,
the even grid of an uneven one, and the words for what is wrong. Neither the tilt tag, nor Slice
Location, nor Instance Number, nor Slice Thickness is looked at.

Slices that step unevenly are resampled onto even planes, by linear interpolation along the stack,
where no gap is wider than twice the usual step and than 2.5 mm; else they are refused, for a
screw that lies in the gap could not be read. Settings of ours, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from highdicom.spatial import (
    create_affine_matrix_from_attributes,
    get_normal_vector,
    get_plane_sort_index,
    get_volume_positions,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from registry.imaging.slices import SliceHeader

# Settings of ours, no source: positions are written to a hundredth of a millimetre or better.
LEAST_SLICES = 8
STEP_TOLERANCE_MM = 0.05
PLACE_TOLERANCE_MM = 0.1
SAME_PLACE_MM = 0.01
WIDEST_GAP_STEPS = 2.0
WIDEST_GAP_MM = 2.5
# Nearer than this to a slice, a plane is that slice.
_ON_A_SLICE_MM = 0.01
_PLAIN_TILT_DEG = 0.5
_GAPS_NAMED = 3
_HALF = 0.5
# Column index first, then row index: the slices then rise along row x column direction.
_CONVENTION = "RD"


class NotAVolumeError(Exception):
    """The slices do not make one evenly stepped volume; the message says where and by how much."""


class Blend(NamedTuple):
    """A plane between two slices: `1 - share` of the one at `lower`, `share` of the one above."""

    lower: int
    share: float


class Gap(NamedTuple):
    """The widest step between two neighbouring slices, and z of the slices on either side."""

    step_mm: float
    low_z_mm: float
    high_z_mm: float


@dataclass(frozen=True)
class Stack:
    """Slices in order, with their geometry.

    Attributes
    ----------
    slices : in rising order along row direction x column direction
    affine : 4 x 4, voxel index (column i, row j, slice k, 1) to patient coordinates, mm (LPS),
        voxel centres; its third column is the true step, sheared where the stack is
    step_mm : distance between neighbouring planes, perpendicular to them
    tilt_deg : angle between the step and the planes' normal
    duplicates : slices left out because another lies at the same place
    blends : where the slices step unevenly, how each even plane comes of two of them; else empty
    widest : where they step unevenly, the widest gap
    """

    slices: tuple[SliceHeader, ...]
    affine: NDArray[np.float64]
    step_mm: float
    tilt_deg: float
    duplicates: tuple[SliceHeader, ...]
    blends: tuple[Blend, ...] = ()
    widest: Gap | None = None

    @property
    def planes(self) -> tuple[SliceHeader, ...]:
        """Return for each plane of the volume the slice that it is, or that is nearest to it."""
        if not self.blends:
            return self.slices
        return tuple(self.slices[lower + (share > _HALF)] for lower, share in self.blends)

    @property
    def is_sheared(self) -> bool:
        """Say whether the slices are stacked at an angle to their own planes."""
        return self.tilt_deg > _PLAIN_TILT_DEG


def stack(slices: Sequence[SliceHeader]) -> Stack:
    """Return the slices in order with their affine, or raise `NotAVolumeError`."""
    ordered, duplicates = _without_duplicates(_in_order(slices))
    if len(ordered) < LEAST_SLICES:
        raise NotAVolumeError(f"too few slices: {len(ordered)}, at least {LEAST_SLICES} are needed")
    orientation = ordered[0].orientation
    positions = np.array([each.position_mm for each in ordered], dtype=np.float64)
    normal = np.asarray(get_normal_vector(orientation, index_convention=_CONVENTION))
    spacing, _places = get_volume_positions(
        positions.tolist(),
        orientation,
        atol=STEP_TOLERANCE_MM,
        # Any shear passes here: the affine below carries it.
        perpendicular_tol=1.0,
        index_convention=_CONVENTION,
    )
    depths_mm = positions @ normal
    blends: tuple[Blend, ...] = ()
    widest = None
    drift_mm = np.abs(depths_mm - np.linspace(depths_mm[0], depths_mm[-1], len(depths_mm))).max()
    if spacing is None or drift_mm > PLACE_TOLERANCE_MM:
        widest = _refuse_gaps(positions, depths_mm)
        blends = _even_planes(depths_mm)
    count = len(blends) or len(ordered)
    step = (positions[-1] - positions[0]) / (count - 1)
    _refuse_sideways(positions, depths_mm)
    step_mm = float(step @ normal)
    affine = np.asarray(
        create_affine_matrix_from_attributes(
            image_position=ordered[0].position_mm,
            image_orientation=orientation,
            pixel_spacing=ordered[0].pixel_mm,
            spacing_between_slices=step_mm,
        ),
        dtype=np.float64,
    )
    affine[:3, 2] = step
    cosine = step_mm / float(np.linalg.norm(step))
    return Stack(
        slices=tuple(ordered),
        affine=affine,
        step_mm=step_mm,
        tilt_deg=math.degrees(math.acos(min(1.0, cosine))),
        duplicates=tuple(duplicates),
        blends=blends,
        widest=widest,
    )


def _in_order(slices: Sequence[SliceHeader]) -> list[SliceHeader]:
    settled = sorted(slices, key=lambda each: each.precedence)
    order = get_plane_sort_index(
        [each.position_mm for each in settled],
        settled[0].orientation,
        index_convention=_CONVENTION,
    )
    return [settled[index] for index in order]


def _without_duplicates(
    ordered: list[SliceHeader],
) -> tuple[list[SliceHeader], list[SliceHeader]]:
    """Keep one slice a place: that of the lowest acquisition, then instance, then identifier."""
    kept: list[SliceHeader] = []
    duplicates: list[SliceHeader] = []
    for each in ordered:
        if kept and math.dist(kept[-1].position_mm, each.position_mm) < SAME_PLACE_MM:
            first, second = sorted((kept[-1], each), key=lambda one: one.precedence)
            kept[-1] = first
            duplicates.append(second)
        else:
            kept.append(each)
    return kept, duplicates


def _refuse_gaps(positions: NDArray[np.float64], depths_mm: NDArray[np.float64]) -> Gap:
    """Return the widest gap where uneven slices may be resampled, else refuse them in words."""
    steps = np.diff(depths_mm)
    widest = int(np.argmax(steps))
    limit_mm = min(WIDEST_GAP_STEPS * float(np.median(steps)), WIDEST_GAP_MM) + STEP_TOLERANCE_MM
    if steps.min() < STEP_TOLERANCE_MM or steps[widest] > limit_mm:
        raise NotAVolumeError(_uneven(positions, steps, limit_mm))
    return Gap(float(steps[widest]), float(positions[widest, 2]), float(positions[widest + 1, 2]))


def _even_planes(depths_mm: NDArray[np.float64]) -> tuple[Blend, ...]:
    """Return even planes from the first slice to the last, each between the two nearest slices.

    Their step is the finer one of the slices, so that what was finely sliced stays so; where
    slices are only missing, every other plane falls on a slice and is that slice.
    """
    steps = np.diff(depths_mm)
    finer_mm = float(np.quantile(steps, 0.25))
    usual_mm = float(steps[np.abs(steps - finer_mm) <= STEP_TOLERANCE_MM].mean())
    span_mm = float(depths_mm[-1] - depths_mm[0])
    planes_mm = depths_mm[0] + np.linspace(0.0, span_mm, round(span_mm / usual_mm) + 1)
    lowers = np.clip(np.searchsorted(depths_mm, planes_mm, side="right") - 1, 0, len(steps) - 1)
    blends = []
    for plane_mm, lower in zip(planes_mm, map(int, lowers), strict=True):
        from_lower_mm = float(plane_mm - depths_mm[lower])
        share = from_lower_mm / float(steps[lower])
        if from_lower_mm < _ON_A_SLICE_MM:
            share = 0.0
        elif steps[lower] - from_lower_mm < _ON_A_SLICE_MM:
            share = 1.0
        blends.append(Blend(lower, share))
    return tuple(blends)


def _uneven(positions: NDArray[np.float64], steps: NDArray[np.float64], limit_mm: float) -> str:
    usual = float(np.median(steps))
    odd = np.flatnonzero(np.abs(steps - usual) > STEP_TOLERANCE_MM)
    if odd.size == 0:
        return f"the slices step unevenly, by {steps.min():.2f} to {steps.max():.2f} mm"
    gaps = odd[steps[odd] > limit_mm]
    named = gaps if gaps.size else odd
    places = [
        f"{steps[k]:.2f} mm between slices {k + 1} and {k + 2} "
        f"(z {positions[k, 2]:.1f} to {positions[k + 1, 2]:.1f} mm)"
        for k in named[:_GAPS_NAMED]
    ]
    more = f" and {named.size - _GAPS_NAMED} more places" if named.size > _GAPS_NAMED else ""
    why = f"slices more than {WIDEST_GAP_MM} mm apart are not resampled"
    if gaps.size:
        why = "a screw that lies there could not be read"
    elif steps.min() < STEP_TOLERANCE_MM:
        why = "slices lie nearly at one place"
    return f"the slices step by {usual:.2f} mm, but {', '.join(places)}{more}; {why}"


def _refuse_sideways(positions: NDArray[np.float64], depths_mm: NDArray[np.float64]) -> None:
    """Refuse planes that slide sideways off the line of the others, which no affine can carry."""
    shares = (depths_mm - depths_mm[0]) / (depths_mm[-1] - depths_mm[0])
    expected = positions[0] + shares[:, None] * (positions[-1] - positions[0])
    strays_mm = np.linalg.norm(positions - expected, axis=1)
    worst = int(np.argmax(strays_mm))
    if strays_mm[worst] > PLACE_TOLERANCE_MM:
        raise NotAVolumeError(
            f"slice {worst + 1} (z {positions[worst, 2]:.1f} mm) lies {strays_mm[worst]:.2f} mm "
            "off the line of the others"
        )
