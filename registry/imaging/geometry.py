"""Slices into one volume: their order, their step and the affine, from positions alone.

Order, spacing and affine are highdicom's; what is added here is the true step of a sheared stack
and the words for what is wrong. Neither the tilt tag, nor Slice Location, nor Instance Number,
nor Slice Thickness is looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

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
_PLAIN_TILT_DEG = 0.5
_GAPS_NAMED = 3
# Column index first, then row index: the slices then rise along row x column direction.
_CONVENTION = "RD"


class NotAVolumeError(Exception):
    """The slices do not make one evenly stepped volume; the message says where and by how much."""


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
    """

    slices: tuple[SliceHeader, ...]
    affine: NDArray[np.float64]
    step_mm: float
    tilt_deg: float
    duplicates: tuple[SliceHeader, ...]

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
    if spacing is None:
        raise NotAVolumeError(_uneven(positions, positions @ normal))
    step = (positions[-1] - positions[0]) / (len(positions) - 1)
    _refuse_sideways(positions, step)
    affine = np.asarray(
        create_affine_matrix_from_attributes(
            image_position=ordered[0].position_mm,
            image_orientation=orientation,
            pixel_spacing=ordered[0].pixel_mm,
            spacing_between_slices=spacing,
        ),
        dtype=np.float64,
    )
    affine[:3, 2] = step
    cosine = float(step @ normal) / float(np.linalg.norm(step))
    return Stack(
        slices=tuple(ordered),
        affine=affine,
        step_mm=float(spacing),
        tilt_deg=math.degrees(math.acos(min(1.0, cosine))),
        duplicates=tuple(duplicates),
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


def _uneven(positions: NDArray[np.float64], depths_mm: NDArray[np.float64]) -> str:
    steps = np.diff(depths_mm)
    usual = float(np.median(steps))
    odd = np.flatnonzero(np.abs(steps - usual) > STEP_TOLERANCE_MM)
    if odd.size == 0:
        return f"the slices step unevenly, by {steps.min():.2f} to {steps.max():.2f} mm"
    places = [
        f"{steps[k]:.2f} mm between slices {k + 1} and {k + 2} "
        f"(z {positions[k, 2]:.1f} to {positions[k + 1, 2]:.1f} mm)"
        for k in odd[:_GAPS_NAMED]
    ]
    more = f" and {odd.size - _GAPS_NAMED} more places" if odd.size > _GAPS_NAMED else ""
    return f"the slices step by {usual:.2f} mm, but {', '.join(places)}{more}"


def _refuse_sideways(positions: NDArray[np.float64], step: NDArray[np.float64]) -> None:
    """Refuse planes that lie evenly but slide sideways, which no affine can carry."""
    expected = positions[0] + np.arange(len(positions))[:, None] * step
    strays_mm = np.linalg.norm(positions - expected, axis=1)
    worst = int(np.argmax(strays_mm))
    if strays_mm[worst] > PLACE_TOLERANCE_MM:
        raise NotAVolumeError(
            f"slice {worst + 1} (z {positions[worst, 2]:.1f} mm) lies {strays_mm[worst]:.2f} mm "
            "off the line of the others"
        )
