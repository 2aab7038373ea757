"""Implicit solids: signed distances in millimetres, negative inside, exact to first order.

A distance is the solid's own function over the length of its gradient, so it is true near the
surface, which is where it is used.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from .levels import Frame, LevelShape, Vector

Field = npt.NDArray[np.float32]
Box = tuple[slice, slice, slice]
FAR_MM = 9.0
# Wider than any blend, so that leaving a solid out beyond its box changes no surface.
PAD_MM = 3.5
_TINY = np.float32(1e-6)


class Coordinates(NamedTuple):
    """LPS coordinates of points, millimetres; the three arrays broadcast against each other."""

    x: Field
    y: Field
    z: Field

    def along(self, direction: Vector, origin: Vector) -> Field:
        """Return how far each point lies along `direction` from `origin`."""
        p, q, r = (np.float32(part) for part in direction)
        offset = np.float32(direction @ origin)
        return np.asarray(p * self.x + (q * self.y + (r * self.z - offset)), dtype=np.float32)


def coordinates_of(points: npt.ArrayLike) -> Coordinates:
    """Return points of shape (n, 3) as three columns."""
    columns = np.asarray(points, dtype=np.float32)
    return Coordinates(columns[:, 0], columns[:, 1], columns[:, 2])


@dataclass(frozen=True)
class Grid:
    """An axial voxel grid: LPS positions of its columns (x), rows (y) and slices (z), rising."""

    x: Field
    y: Field
    z: Field

    @property
    def shape(self) -> tuple[int, int, int]:
        """Slices, rows, columns."""
        return len(self.z), len(self.y), len(self.x)

    def box(self, lower: Vector, upper: Vector) -> Box:
        """Return the index ranges (k, j, i) between two corners in LPS."""
        ranges = []
        for axis, low, high in zip((self.z, self.y, self.x), lower[::-1], upper[::-1], strict=True):
            first, last = np.searchsorted(axis, (low, high))
            ranges.append(slice(int(first), int(last)))
        return ranges[0], ranges[1], ranges[2]

    def part(self, box: Box) -> Grid:
        """Return the grid of one box."""
        return Grid(self.x[box[2]], self.y[box[1]], self.z[box[0]])

    def coordinates(self) -> Coordinates:
        """Return the voxel centres, broadcasting to (k, j, i)."""
        return Coordinates(
            self.x[np.newaxis, np.newaxis, :],
            self.y[np.newaxis, :, np.newaxis],
            self.z[:, np.newaxis, np.newaxis],
        )


class Solid(Protocol):
    """Anything with a signed distance and a box that holds it."""

    def distance(self, at: Coordinates) -> Field:
        """Return signed distances in millimetres."""
        ...

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a box round the solid, padded."""
        ...


@dataclass(frozen=True)
class Beam:
    """A straight bar of super-elliptic section with rounded ends, LPS millimetres.

    `across` is the direction in which the first half size is measured; both half sizes run
    linearly from start to end, swollen by `flare` towards both ends.
    """

    start: Vector
    end: Vector
    across: Vector
    half_across_mm: tuple[float, float]
    half_upright_mm: tuple[float, float]
    cap_mm: float = 3.0
    exponent: float = 2.0
    flare: tuple[float, float] = (0.0, 0.0)

    def distance(self, at: Coordinates) -> Field:
        """Return signed distances in millimetres."""
        length = float(np.linalg.norm(self.end - self.start))
        axis = (self.end - self.start) / length
        across = self.across - (self.across @ axis) * axis
        across = across / np.linalg.norm(across)
        along = at.along(axis, self.start)
        on_axis = np.clip(along, 0.0, np.float32(length))
        share = on_axis / np.float32(length)
        end_swell = np.square(2 * share - 1)
        sizes = [
            (np.float32(first) + np.float32(last - first) * share)
            * (1 + np.float32(flare) * end_swell)
            for (first, last), flare in zip(
                (self.half_across_mm, self.half_upright_mm), self.flare, strict=True
            )
        ]
        offsets = (
            at.along(across, self.start),
            at.along(_crossed(axis, across), self.start),
            along - on_axis,
        )
        return _scaled_distance(offsets, (*sizes, np.float32(self.cap_mm)), self.exponent)

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a box round the beam, padded."""
        across = max(self.half_across_mm) * (1 + self.flare[0])
        reach = max(across, max(self.half_upright_mm) * (1 + self.flare[1]), self.cap_mm) + PAD_MM
        return np.minimum(self.start, self.end) - reach, np.maximum(self.start, self.end) + reach


def _crossed(first: Vector, second: Vector) -> Vector:
    """Return the vector product, to the bit that of `np.cross`, which takes ten times as long."""
    (a, b, c), (u, v, w) = first.tolist(), second.tolist()
    return np.array([b * w - c * v, c * u - a * w, a * v - b * u])


def _scaled_distance(
    offsets: tuple[Field, ...], sizes: tuple[Field | np.float32, ...], exponent: float
) -> Field:
    total = np.full((), _TINY)
    slope = np.full((), _TINY)
    for offset, size in zip(offsets, sizes, strict=True):
        ratio = np.abs(offset) / size
        lower_power = ratio if exponent == 2.0 else ratio ** np.float32(exponent - 1)  # noqa: PLR2004 - the plain ellipse needs no power
        total = np.asarray(total + lower_power * ratio, dtype=np.float32)
        slope = np.asarray(slope + np.square(lower_power / size), dtype=np.float32)
    radius = np.sqrt(total) if exponent == 2.0 else total ** np.float32(1 / exponent)  # noqa: PLR2004 - as above
    first_order = (radius - 1) * total / (radius * np.sqrt(slope))
    # Near the middle the gradient says little; there the depth is at least the inscribed one.
    least = functools.reduce(np.minimum, sizes)
    inscribed = np.minimum(radius - 1, 0) * least
    deep = np.where(radius < 1, np.minimum(first_order, inscribed), first_order)
    return np.asarray(deep, dtype=np.float32)


@dataclass(frozen=True)
class VertebralBody:
    """The body: a waisted kidney-shaped drum with hollowed endplates."""

    shape: LevelShape
    frame: Frame

    def distance(self, at: Coordinates) -> Field:
        """Return signed distances in millimetres."""
        size = self.shape
        left, back, up = (at.along(self.frame.axes[:, k], self.frame.origin) for k in range(3))
        half_height = np.float32(size.height_mm / 2)
        level = np.clip(up / half_height, -1.0, 1.0)
        waisted = np.square(level) - 1
        # The back wall is hollow towards the canal.
        hollow = np.float32(1.9) * np.exp(-np.square(left / np.float32(9.0)))
        back_shifted = back + hollow / (1 + np.exp(-back / np.float32(2.0)))
        width = np.float32(size.half_width_mm) * (1 + np.float32(size.waist) * waisted)
        depth = np.float32(size.half_depth_mm) * (1 + np.float32(size.waist / 2) * waisted)
        side = _scaled_distance((left, back_shifted), (width, depth), 2.3)
        radial = np.square(left / width) + np.square(back_shifted / depth)
        dish = np.float32(1.5) * np.maximum(0, 1 - radial)
        room = half_height - dish - np.abs(up)
        if size.wedge_deg:
            half_depth = np.float32(size.half_depth_mm)
            fall = np.float32(np.tan(np.radians(size.wedge_deg)))
            room = np.minimum(
                room, (half_height - dish - up + fall * (back - half_depth)) / np.hypot(1, fall)
            )
        return -smooth_union(-side, room, 1.6)

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a box round the body, padded."""
        half = np.array(
            [self.shape.half_width_mm, self.shape.half_depth_mm, self.shape.height_mm / 2]
        )
        reach = np.abs(self.frame.axes) @ half + PAD_MM
        return self.frame.origin - reach, self.frame.origin + reach


def smooth_union(first: Field, second: Field, blend_mm: float) -> Field:
    """Return the union of two fields, filleted over `blend_mm`."""
    near = np.maximum(np.float32(blend_mm) - np.abs(first - second), 0)
    joined = np.minimum(first, second) - np.square(near) * np.float32(0.25 / blend_mm)
    return np.asarray(joined, dtype=np.float32)


def union_at(solids: tuple[Solid, ...], at: Coordinates, blend_mm: float) -> Field:
    """Return the union of solids at points; a solid whose box holds none of them is passed over."""
    lowest = np.array([axis.min() for axis in at])
    highest = np.array([axis.max() for axis in at])
    field = np.full(np.broadcast_shapes(*(axis.shape for axis in at)), FAR_MM, dtype=np.float32)
    for solid in solids:
        lower, upper = solid.corners()
        if (lower <= highest).all() and (upper >= lowest).all():
            field = smooth_union(field, solid.distance(at), blend_mm)
    return field


def union_on(solids: tuple[Solid, ...], grid: Grid, blend_mm: float) -> Field:
    """Return the union of solids on a grid, each worked out in its own box only."""
    field = np.full(grid.shape, FAR_MM, dtype=np.float32)
    for solid in solids:
        box = grid.box(*solid.corners())
        here = field[box]
        if here.size:
            here[...] = smooth_union(here, solid.distance(grid.part(box).coordinates()), blend_mm)
    return field
