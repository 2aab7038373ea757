"""The vertebrae that hold screws: where each stands, and the surface of its body."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.domain.directions import Side
from registry.domain.levels import level
from registry.measure.axes import unit
from registry.measure.proposals.body_extents import Body
from registry.measure.proposals.body_wall import find_body_wall
from registry.measure.proposals.endplates import find_endplate
from registry.measure.proposals.midplane import (
    LEAST_LIKENESS,
    METAL_HU,
    VertebraFrame,
    find_midplane,
    frame_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray, ScrewAxis
    from registry.measure.proposals.endplates import Endplate
    from registry.measure.proposals.straight import Tissue
    from registry.measure.sampling import Voxels

ABOUT_PEDICLE_MM = 15.0
"""Depth at which a screw is taken to be in its pedicle before that is known; ours."""
FROM_MIDDLE_MM = 16.0
"""How far to the side a screw is taken to stand there where its partner is missing; ours."""
FROM_BACK_WALL_MM, PLATE_SHARE = 2.0, 0.7
"""Endplates are looked for from so far in front of the back wall over this share of the depth."""
_USUAL_BACK_MM, _USUAL_DEEP_MM = -5.0, 30.0
_BACK_FROM_MM, _BACK_TO_MM = -22.0, 2.0
_SHALLOWEST_MM, _DEEPEST_MM = 16.0, 40.0
_UP = np.array([0.0, 0.0, 1.0])
_LEFT = np.array([1.0, 0.0, 0.0])


@dataclass(frozen=True)
class SidedAxis:
    """A screw's axis and the side it belongs to."""

    side: Side
    axis: ScrewAxis

    @property
    def in_pedicle_mm(self) -> FloatArray:
        """The place of its axis about where its pedicle is, LPS."""
        return self.axis.at(min(ABOUT_PEDICLE_MM, 0.5 * self.axis.length_mm))


def vertebra_frames(
    voxels: Voxels, affine: ArrayLike, axes_by_level: Mapping[str, Sequence[SidedAxis]]
) -> dict[str, VertebraFrame]:
    """Return each level's frame with its midplane; a level whose midplane is not found is left out.

    Parameters
    ----------
    axes_by_level : level to its screws
    """
    starts = _starts(axes_by_level)
    found = {name: find_midplane(voxels, affine, start) for name, start in starts.items()}
    return {name: frame for name, frame in found.items() if frame.likeness >= LEAST_LIKENESS}


def _starts(axes_by_level: Mapping[str, Sequence[SidedAxis]]) -> dict[str, VertebraFrame]:
    """Return where each vertebra is first taken to stand, from its screws alone."""
    ordered = sorted(axes_by_level, key=lambda name: level(name).order)
    middles = {name: _middle(axes_by_level[name]) for name in ordered}
    starts = {}
    for number, name in enumerate(ordered):
        above = middles[ordered[max(0, number - 1)]]
        below = middles[ordered[min(len(ordered) - 1, number + 1)]]
        along = above - below
        up = unit(along) if float(along @ _UP) > 0.0 else _UP
        starts[name] = frame_of(middles[name], _leftwards(axes_by_level[name]), up)
    return starts


def _by_side(axes: Sequence[SidedAxis]) -> dict[Side, FloatArray]:
    return {
        side: np.mean([each.in_pedicle_mm for each in axes if each.side is side], axis=0)
        for side in Side
        if any(each.side is side for each in axes)
    }


def _middle(axes: Sequence[SidedAxis]) -> FloatArray:
    places = _by_side(axes)
    if len(places) == 2:  # noqa: PLR2004 - both sides
        return np.asarray((places[Side.LEFT] + places[Side.RIGHT]) / 2.0)
    if Side.LEFT in places:
        return np.asarray(places[Side.LEFT] - FROM_MIDDLE_MM * _LEFT)
    return np.asarray(places[Side.RIGHT] + FROM_MIDDLE_MM * _LEFT)


def _leftwards(axes: Sequence[SidedAxis]) -> FloatArray:
    """Return about the direction to the left; two screws may be entered at unlike depths."""
    places = _by_side(axes)
    if len(places) < 2:  # noqa: PLR2004 - both sides
        return _LEFT
    across = places[Side.LEFT] - places[Side.RIGHT]
    across[1] *= 0.5
    return unit(across) if float(across @ _LEFT) > 0.0 else _LEFT


def find_body(
    voxels: Voxels, affine: ArrayLike, frame: VertebraFrame, tissue: Tissue, isthmus_mm: FloatArray
) -> tuple[Body | None, Endplate | None]:
    """Return the body, None where its surface is not found, and its upper endplate by itself.

    Parameters
    ----------
    isthmus_mm : (3,), LPS, the middle of a pedicle's narrowest section, or of both
    """
    placed = beside(frame, isthmus_mm)
    behind, deep = back_wall(voxels, affine, placed)
    span = plate_span(behind, deep)
    plates = [
        find_endplate(voxels, affine, placed, tissue, span, is_upper=is_upper)
        for is_upper in (True, False)
    ]
    upper, lower = plates
    if upper is None or lower is None:
        return None, upper
    wall = find_body_wall(
        voxels, affine, placed, tissue, (0.0, behind - 0.5 * deep), (upper, lower)
    )
    return (None if wall is None else Body(placed, wall, upper, lower)), upper


def beside(frame: VertebraFrame, pedicle_mm: ArrayLike) -> VertebraFrame:
    """Return the frame with its origin on the midplane, as high and as far back as a pedicle."""
    local = frame.to_local(pedicle_mm)
    return replace(frame, origin_mm=frame.to_patient([0.0, local[1], local[2]]))


def plate_span(behind_mm: float, deep_mm: float) -> tuple[float, float]:
    """Return from where to where along the back direction endplates are looked for, mm."""
    return behind_mm - PLATE_SHARE * deep_mm, behind_mm - FROM_BACK_WALL_MM


def back_wall(voxels: Voxels, affine: ArrayLike, frame: VertebraFrame) -> tuple[float, float]:
    """Return where the body's back wall lies in the midline, and how deep the body is, mm.

    Along the midline brightness falls backwards into the canal and forwards into the fat before
    the spine; both falls are taken where they are steepest.
    """
    back = np.arange(-62.0, 6.0, 0.5)
    left, up = np.arange(-4.0, 4.1, 2.0), np.arange(-4.0, 4.1, 2.0)
    grid = np.stack(np.meshgrid(left, up, back, indexing="ij"), axis=-1)[..., [0, 2, 1]]
    values = frame.values(voxels, affine, grid)
    values = np.where(values > METAL_HU, np.nan, np.clip(values, -150.0, 900.0))
    with np.errstate(all="ignore"):
        profile = np.nanmedian(values.reshape(-1, len(back)), axis=0)
    known = np.isfinite(profile)
    if known.sum() < len(back) // 2:
        return _USUAL_BACK_MM, _USUAL_DEEP_MM
    smooth = np.interp(back, back[known], profile[known])
    slope = ndimage.gaussian_filter1d(smooth, 2.0, order=1)
    behind = np.where((back > _BACK_FROM_MM) & (back < _BACK_TO_MM), -slope, -np.inf)
    wall = float(back[int(behind.argmax())])
    is_front = (back > wall - _DEEPEST_MM) & (back < wall - _SHALLOWEST_MM)
    front = float(back[int(np.where(is_front, slope, -np.inf).argmax())])
    return wall, wall - front
