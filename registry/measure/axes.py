"""A screw's axis, the frames of its sections, and the transforms between coordinate systems.

Patient coordinates are DICOM's LPS in millimetres: x to the patient's left, y to posterior,
z to the head. Voxel coordinates are (i, j, k): column, row and slice, counted from 0 at the
centre of the first voxel; the array itself is indexed [k, j, i]. Section coordinates are
(u, v): millimetres from the axis, u medial and v cranial.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from registry.domain.directions import Side
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    FloatArray: TypeAlias = NDArray[np.float64]
    Point: TypeAlias = tuple[float, float, float]

SHORTEST_SCREW_MM = 5.0
LONGEST_SCREW_MM = 150.0
"""Bounds of ours, no source: S2 alar-iliac screws of 90 to 120 mm must pass."""

MIDPLANE_TOO_NEAR_MM = 1.0
"""An entry nearer the midplane than this does not tell by itself on which side it lies; ours."""

LEVEL_Z = 1e-6
"""A cranial vector whose z is smaller than this is taken as having none."""


def point(values: ArrayLike) -> Point:
    """Return three numbers as a tuple of floats.

    Raises
    ------
    BadInputError : not three finite numbers
    """
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (3,) or not np.isfinite(array).all():
        raise BadInputError(
            Fault("a point needs three finite coordinates", mend="set the point again")
        )
    return float(array[0]), float(array[1]), float(array[2])


def unit(values: ArrayLike) -> FloatArray:
    """Return a vector of length 1 along `values`, shape (3,).

    Raises
    ------
    BadInputError : the vector has no length
    """
    array = np.asarray(point(values), dtype=np.float64)
    length = float(np.linalg.norm(array))
    if length < np.finfo(np.float64).eps:
        raise BadInputError(Fault("a direction has no length", mend="set its two points apart"))
    return array / length


@dataclass(frozen=True)
class ScrewAxis:
    """The line from a screw's entry to its tip.

    Parameters
    ----------
    entry_mm : three floats, LPS; where the shank leaves the head
    tip_mm : three floats, LPS

    Raises
    ------
    BadInputError : a coordinate is not finite, the length is not 5 to 150 mm, or the tip does
        not lie anterior of the entry

    Examples
    --------
    >>> ScrewAxis((20.0, 0.0, 5.0), (20.0, -40.0, 5.0)).at(10.0).tolist()
    [20.0, -10.0, 5.0]
    """

    entry_mm: Point
    tip_mm: Point

    def __post_init__(self) -> None:
        object.__setattr__(self, "entry_mm", point(self.entry_mm))
        object.__setattr__(self, "tip_mm", point(self.tip_mm))
        if not SHORTEST_SCREW_MM <= self.length_mm <= LONGEST_SCREW_MM:
            raise BadInputError(
                Fault(
                    f"entry and tip are {self.length_mm:.1f} mm apart, a screw is "
                    f"{SHORTEST_SCREW_MM:.0f} to {LONGEST_SCREW_MM:.0f} mm long",
                    "screw axis",
                    "set the two points at the two ends of the shank",
                )
            )
        if self.tip_mm[1] >= self.entry_mm[1]:
            raise BadInputError(
                Fault(
                    "the tip does not lie in front of the entry: the points are swapped",
                    "screw axis",
                    "swap entry and tip",
                )
            )

    @classmethod
    def through(cls, one_end_mm: ArrayLike, other_end_mm: ArrayLike) -> ScrewAxis:
        """Return the axis between two ends given in either order; the posterior is the entry."""
        first, second = point(one_end_mm), point(other_end_mm)
        return cls(first, second) if first[1] >= second[1] else cls(second, first)

    @property
    def length_mm(self) -> float:
        """The distance from entry to tip."""
        return math.dist(self.entry_mm, self.tip_mm)

    @property
    def direction(self) -> FloatArray:
        """The unit vector from entry to tip, shape (3,), LPS."""
        return unit(np.subtract(self.tip_mm, self.entry_mm))

    def at(self, depth_mm: float) -> FloatArray:
        """Return the point of the axis `depth_mm` from the entry, shape (3,), LPS."""
        return np.asarray(self.entry_mm, dtype=np.float64) + depth_mm * self.direction


@dataclass(frozen=True)
class Midplane:
    """A vertebra's plane of symmetry: a point of it and its normal (either way), LPS."""

    point_mm: Point
    normal: Point

    def __post_init__(self) -> None:
        object.__setattr__(self, "point_mm", point(self.point_mm))
        object.__setattr__(self, "normal", point(unit(self.normal)))

    def distance_mm(self, where_mm: ArrayLike) -> float:
        """Return the signed distance of a point, positive on the normal's side."""
        offset = np.asarray(where_mm, dtype=np.float64) - np.asarray(self.point_mm)
        return float(offset @ np.asarray(self.normal))

    def towards(self, where_mm: ArrayLike, side: Side | None) -> FloatArray:
        """Return the unit normal that leads from a point to the midplane, shape (3,).

        A point nearer than 1 mm does not tell on which side it lies; then `side` decides, and
        without one the distance does after all.
        """
        normal = np.asarray(self.normal, dtype=np.float64)
        distance = self.distance_mm(where_mm)
        if abs(distance) < MIDPLANE_TOO_NEAR_MM and side is not None:
            return normal if float(normal @ _towards_middle(side)) >= 0.0 else -normal
        return -normal if distance > 0.0 else normal


@dataclass(frozen=True, eq=False)
class SectionFrame:
    """A plane normal to a screw's axis with its two directions; all LPS, shape (3,).

    Attributes
    ----------
    origin : where the axis pierces the plane, mm
    normal : unit vector along the screw, entry to tip
    medial : unit vector in the plane towards the vertebra's midplane
    cranial : unit vector in the plane, at right angles to `medial`
    """

    origin: FloatArray
    normal: FloatArray
    medial: FloatArray
    cranial: FloatArray


def _towards_middle(side: Side) -> FloatArray:
    # The patient's left is +x, so a screw on the right has the middle towards +x.
    return np.array([1.0 if side is Side.RIGHT else -1.0, 0.0, 0.0])


def section_frame(
    axis: ScrewAxis, depth_mm: float, side: Side, midplane: Midplane | None = None
) -> SectionFrame:
    """Return the frame of the plane normal to the axis at a depth.

    Medial is the direction towards the midplane, freed of its part along the axis. It is decided
    at the entry, so that a tip beyond the midplane does not turn it round. Without a midplane the
    side alone orients: +x for the patient's right, -x for the left. Cranial is d x medial or its
    opposite, whichever has positive z; where z is 0 (within 1e-6) it is d x medial on the right
    and the opposite on the left, which is what the rule gives for every screw that points
    forwards.

    Parameters
    ----------
    axis : ScrewAxis, LPS mm
    depth_mm : float, from the entry, negative in the head
    side : Side, the patient's
    midplane : Midplane, LPS mm, or None

    Raises
    ------
    BadInputError : the axis stands at right angles to the midplane
    """
    direction = axis.direction
    towards = _towards_middle(side) if midplane is None else midplane.towards(axis.entry_mm, side)
    in_plane = towards - float(towards @ direction) * direction
    if float(np.linalg.norm(in_plane)) < LEVEL_Z:
        raise BadInputError(
            Fault(
                "the screw stands at right angles to the midplane, so nothing in its sections "
                "is medial",
                "midplane",
                "set the midplane or the screw's points again",
            )
        )
    medial = unit(in_plane)
    cranial = np.cross(direction, medial)
    upside_down = cranial[2] < 0.0 if abs(cranial[2]) > LEVEL_Z else side is Side.LEFT
    return SectionFrame(
        origin=axis.at(depth_mm),
        normal=direction,
        medial=medial,
        cranial=-cranial if upside_down else cranial,
    )


def section_frames(
    axis: ScrewAxis, depths_mm: Sequence[float], side: Side, midplane: Midplane | None = None
) -> list[SectionFrame]:
    """Return one frame a depth, all with the same directions."""
    return [section_frame(axis, depth, side, midplane) for depth in depths_mm]


def voxel_to_patient(voxels_ijk: ArrayLike, affine: ArrayLike) -> FloatArray:
    """Return the patient coordinates (LPS mm) of voxel coordinates.

    Parameters
    ----------
    voxels_ijk : (..., 3), (column, row, slice) from 0, fractions allowed
    affine : (4, 4), (i, j, k, 1) to (x, y, z, 1)

    References
    ----------
    DICOM PS3.3 C.7.6.2.1.1: P = S + X di i + Y dj j.

    Examples
    --------
    >>> affine = [[0.24, -0.3, 0, -100], [0.18, 0.4, 0, -90], [0, 0, 1, 5], [0, 0, 0, 1]]
    >>> voxel_to_patient([10, 20, 0], affine).round(6).tolist()
    [-103.6, -80.2, 5.0]
    """
    matrix = np.asarray(affine, dtype=np.float64)
    result: FloatArray = np.asarray(voxels_ijk, dtype=np.float64) @ matrix[:3, :3].T + matrix[:3, 3]
    return result


def patient_to_voxel(points_mm: ArrayLike, affine: ArrayLike) -> FloatArray:
    """Return the voxel coordinates (i, j, k) of patient coordinates (LPS mm), shape (..., 3)."""
    return voxel_to_patient(points_mm, np.linalg.inv(np.asarray(affine, dtype=np.float64)))


def section_to_patient(points_mm: ArrayLike, frame: SectionFrame) -> FloatArray:
    """Return the patient coordinates, shape (..., 3), of section points (u, v), shape (..., 2)."""
    points = np.asarray(points_mm, dtype=np.float64)
    result: FloatArray = frame.origin + points @ np.stack([frame.medial, frame.cranial])
    return result


def patient_to_section(points_mm: ArrayLike, frame: SectionFrame) -> FloatArray:
    """Return section points (u, v), shape (..., 2), of patient points dropped on the plane."""
    offset = np.asarray(points_mm, dtype=np.float64) - frame.origin
    result: FloatArray = offset @ np.stack([frame.medial, frame.cranial], axis=1)
    return result


def along_to_patient(points_mm: ArrayLike, axis: ScrewAxis, across: ArrayLike) -> FloatArray:
    """Return the patient coordinates of points in a plane that holds the axis.

    Parameters
    ----------
    points_mm : (..., 2), (depth from the entry, distance across), mm
    axis : ScrewAxis
    across : (3,), the frame's `medial` or `cranial`
    """
    points = np.asarray(points_mm, dtype=np.float64)
    directions = np.stack([axis.direction, np.asarray(across, dtype=np.float64)])
    result: FloatArray = np.asarray(axis.entry_mm) + points @ directions
    return result


def patient_to_along(points_mm: ArrayLike, axis: ScrewAxis, across: ArrayLike) -> FloatArray:
    """Return (depth, across), shape (..., 2), of patient points dropped on such a plane."""
    offset = np.asarray(points_mm, dtype=np.float64) - np.asarray(axis.entry_mm)
    directions = np.stack([axis.direction, np.asarray(across, dtype=np.float64)], axis=1)
    result: FloatArray = offset @ directions
    return result
