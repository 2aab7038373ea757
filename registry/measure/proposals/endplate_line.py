"""The upper endplate of a vertebra as a line in its midplane, for a reader to judge and to move.

It is taken from the images, the midplane and the place of one screw alone: whether a wall was
breached, and whether anything could be measured, changes nothing of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

from registry.measure.axes import point, unit
from registry.measure.proposals.endplates import find_endplate
from registry.measure.proposals.midplane import frame_of
from registry.measure.proposals.straight import straighten
from registry.measure.proposals.vertebrae import SidedAxis, back_wall, beside, plate_span

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from registry.domain.directions import Side
    from registry.measure.axes import FloatArray, Midplane, Point, ScrewAxis
    from registry.measure.proposals.midplane import VertebraFrame
    from registry.measure.proposals.straight import Tissue
    from registry.measure.sampling import Voxels

OTHER_LEANS_DEG = (-8.0, 8.0)
AGREE_DEG = 4.0
"""It is looked for from three leans; one of the others has to agree with the first. Ours."""
_STRAIGHT_UP = np.array([0.0, 0.0, 1.0])
_LEAST_ALONG = 0.4
"""Of an axis that lies nearly across the midplane, its part within it no longer tells the lean."""


@dataclass(frozen=True)
class _Line:
    front_mm: Point
    back_mm: Point

    @property
    def forwards(self) -> FloatArray:
        return unit(np.subtract(self.front_mm, self.back_mm))

    def agrees(self, other: _Line) -> bool:
        return float(self.forwards @ other.forwards) > math.cos(math.radians(AGREE_DEG))


def endplate_line(
    voxels: Voxels,
    affine: ArrayLike,
    axis: ScrewAxis,
    side: Side,
    midplane: Midplane,
    radius_mm: float,
) -> tuple[Point, Point] | None:
    """Return the front and the back end of the upper endplate's line, None where it is not seen.

    Parameters
    ----------
    voxels : (slices, rows, columns), HU
    affine : (4, 4), (i, j, k, 1) to LPS mm
    axis : of a screw of this vertebra
    side : the screw's
    midplane : of the vertebra
    radius_mm : the screw's

    Returns
    -------
    two points of the midplane, LPS mm: the line touches the endplate in the body's middle, where
    its dish is level
    """
    normal = np.asarray(midplane.normal)
    leftwards = unit(normal if normal[0] >= 0.0 else -normal)
    tissue = straighten(voxels, affine, axis, side, midplane, radius_mm).tissue
    up = _upwards(axis, leftwards)
    pedicle = SidedAxis(side, axis).in_pedicle_mm

    def looked_for(lean_deg: float) -> _Line | None:
        leant = Rotation.from_rotvec(np.radians(lean_deg) * leftwards).apply(up)
        frame = beside(frame_of(midplane.point_mm, leftwards, leant), pedicle)
        return _line(voxels, affine, frame, tissue)

    found = looked_for(0.0)
    if found is None:
        return None
    others = (looked_for(lean) for lean in OTHER_LEANS_DEG)
    if not any(other is not None and found.agrees(other) for other in others):
        return None
    return found.front_mm, found.back_mm


def _line(voxels: Voxels, affine: ArrayLike, frame: VertebraFrame, tissue: Tissue) -> _Line | None:
    behind, deep = back_wall(voxels, affine, frame)
    span = plate_span(behind, deep)
    plate = find_endplate(voxels, affine, frame, tissue, span, is_upper=True)
    if plate is None:
        return None
    middle = behind - 0.5 * deep
    upright = plate.normal(0.0, middle)
    rise = -float(upright[1]) / float(upright[2])
    height = float(plate.height_mm(0.0, middle))
    ends = [(0.0, back, height + rise * (back - middle)) for back in (behind - deep, behind)]
    front, back = (point(frame.to_patient(end)) for end in ends)
    return _Line(front, back)


def _upwards(axis: ScrewAxis, leftwards: FloatArray) -> FloatArray:
    """Return about the vertebra's upwards direction: across its screw, in the midplane.

    Screws follow their vertebra's lean, as far as those of the lowest lumbar levels lean.
    """
    along = axis.direction - float(axis.direction @ leftwards) * leftwards
    if float(np.linalg.norm(along)) < _LEAST_ALONG:
        return _STRAIGHT_UP
    up = np.cross(leftwards, unit(along))
    return np.asarray(up if up[2] >= 0.0 else -up)
