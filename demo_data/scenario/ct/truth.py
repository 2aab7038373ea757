"""How far each drawn screw stands outside the bone, measured densely on the implicit surface.

The surface is the bone without metal. Nothing here draws, and nothing that draws uses this.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from .solids import Coordinates, Field, coordinates_of

if TYPE_CHECKING:
    from .levels import Vector
    from .vertebra import PedicleAxis

OuterDistance = Callable[[Coordinates], Field]
WALLS = ("medial", "lateral", "cranial", "caudal")
GREATEST_AREA_RATIO = 1.7
HALF_WINDOW_MM = 14.0
CELL_MM = 0.4
_DEPTH_STEP_MM = 0.5
_DEPTH_REACH_MM = 9.0
EDGE_POINTS = 360


@dataclass(frozen=True)
class ScrewLine:
    """A screw's axis and edge, LPS millimetres, with its vertebra's left-pointing normal."""

    entry: Vector
    tip: Vector
    radius_mm: float
    side: str
    midplane_normal: Vector

    @property
    def forward(self) -> Vector:
        """Unit direction from entry to tip."""
        along = self.tip - self.entry
        return np.asarray(along / np.linalg.norm(along))

    def section_axes(self) -> tuple[Vector, Vector]:
        """Return the medial and the cranial unit direction of every section."""
        forward = self.forward
        inwards = -self.midplane_normal if self.side == "L" else self.midplane_normal
        medial = inwards - (inwards @ forward) * forward
        medial /= np.linalg.norm(medial)
        cranial = np.cross(forward, medial)
        return medial, cranial if cranial[2] > 0 else -cranial


@dataclass(frozen=True, eq=False)
class Section:
    """The pedicle's bone in one plane normal to the screw; `trace` follows its outline."""

    depth_mm: float
    area_mm2: float
    trace: Callable[[], Vector]

    @cached_property
    def contour(self) -> Vector:
        """The outer cortex as segments, shape (n, 2, 2): medial and cranial mm from the axis.

        Traced when first asked for: most sections hold the whole screw and need none.
        """
        return self.trace()


def pedicle_sections(
    outer: OuterDistance,
    line: ScrewLine,
    pedicle: PedicleAxis,
    half_window_mm: float = HALF_WINDOW_MM,
) -> tuple[Section, ...]:
    """Return the closed sections round the isthmus, none above 1.7 times it in area.

    A section closes in itself if it fits in a window of `half_window_mm` each way.

    Raises
    ------
    ValueError : no section closes
    """
    middle = float((pedicle.isthmus - line.entry) @ line.forward)
    depths = middle + np.arange(-_DEPTH_REACH_MM, _DEPTH_REACH_MM + 1e-6, _DEPTH_STEP_MM)
    found = [_section(outer, line, pedicle, float(depth), half_window_mm) for depth in depths]
    closed = [k for k, section in enumerate(found) if section is not None]
    if not closed:
        raise ValueError("no section closes round this pedicle")
    isthmus = min(closed, key=lambda k: _area(found[k]))
    limit = GREATEST_AREA_RATIO * _area(found[isthmus])
    kept = [found[isthmus]]
    for step in (1, -1):
        k = isthmus + step
        while 0 <= k < len(found) and _area(found[k]) <= limit:
            kept.append(found[k])
            k += step
    sections = (section for section in kept if section is not None)
    return tuple(sorted(sections, key=lambda section: section.depth_mm))


def pedicle_extents(
    outer: OuterDistance, line: ScrewLine, sections: tuple[Section, ...]
) -> dict[str, float]:
    """Return the greatest extent past each of the four walls, millimetres, 0 where none."""
    extents = dict.fromkeys(WALLS, 0.0)
    medial, cranial = line.section_axes()
    angles = np.linspace(0, 2 * np.pi, EDGE_POINTS, endpoint=False)
    edge = line.radius_mm * np.column_stack([np.cos(angles), np.sin(angles)])
    in_space = edge @ np.stack([medial, cranial])
    for section in sections:
        origin = line.entry + section.depth_mm * line.forward
        outside = outer(coordinates_of(origin + in_space)) > 0
        if not outside.any():
            continue
        points = edge[outside]
        nearest = nearest_on(section.contour, points)
        away = points - nearest
        distances = np.linalg.norm(away, axis=1)
        for wall, distance in zip(walls_of(away), distances, strict=True):
            extents[wall] = max(extents[wall], float(distance))
    return extents


def anterior_extent(outer: OuterDistance, line: ScrewLine, front: Vector) -> float:
    """Return how far the tip stands before the front cortex, 0 if within; millimetres.

    The perpendicular is the shortest of rays cast from the tip; `front` points forwards.
    """
    if outer(coordinates_of(line.tip[np.newaxis]))[0] <= 0 or line.forward @ front <= 0:
        return 0.0
    rays = _directions_about(-front, np.radians(80.0), 3000)
    best, shortest = _first_hit(outer, line.tip, rays)
    for spread_deg in (8.0, 1.0):
        rays = _directions_about(best, np.radians(spread_deg), 600)
        best, shortest = _first_hit(outer, line.tip, rays)
    return shortest


def greatest_outside(outer: OuterDistance, line: ScrewLine, from_mm: float, to_mm: float) -> float:
    """Return the largest signed distance of the screw's edge between two depths, millimetres."""
    medial, cranial = line.section_axes()
    angles = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    ring = line.radius_mm * (np.outer(np.cos(angles), medial) + np.outer(np.sin(angles), cranial))
    depths = np.arange(from_mm, to_mm, 0.5)
    points = line.entry + depths[:, np.newaxis, np.newaxis] * line.forward + ring
    return float(outer(coordinates_of(points.reshape(-1, 3))).max())


def _area(section: Section | None) -> float:
    return float("inf") if section is None else section.area_mm2


def _section(
    outer: OuterDistance,
    line: ScrewLine,
    pedicle: PedicleAxis,
    depth_mm: float,
    half_window_mm: float,
) -> Section | None:
    """Return the pedicle's part of one plane, None where it does not close in itself."""
    origin = line.entry + depth_mm * line.forward
    medial, cranial = line.section_axes()
    travel = ((origin - pedicle.isthmus) @ line.forward) / (pedicle.forward @ line.forward)
    centre = pedicle.isthmus + travel * pedicle.forward - origin
    shift = np.array([centre @ medial, centre @ cranial])
    ticks = np.arange(-half_window_mm, half_window_mm + 1e-6, CELL_MM)
    across, upright = np.meshgrid(ticks + shift[0], ticks + shift[1], indexing="ij")
    flat = np.stack([across.ravel(), upright.ravel()], axis=1)

    def values_at(plane_points: Vector) -> Vector:
        in_space = origin + plane_points @ np.stack([medial, cranial])
        return outer(coordinates_of(in_space)).astype(np.float64)

    values = values_at(flat).reshape(across.shape)
    parts, _ = ndimage.label(values < 0)
    middle = len(ticks) // 2
    if parts[middle, middle] == 0:
        return None
    pedicle_part = parts == parts[middle, middle]
    rim = np.ones_like(pedicle_part)
    rim[1:-1, 1:-1] = False
    if (pedicle_part & rim).any():
        return None
    grown = ndimage.binary_dilation(pedicle_part, iterations=2)
    coverage = np.clip(0.5 - values / CELL_MM, 0, 1)
    area = float(coverage[grown].sum()) * CELL_MM**2
    alone = np.where((values < 0) & ~pedicle_part, 1.0, values)
    return Section(depth_mm, area, lambda: segments_of(alone, ticks, shift, values_at))


def segments_of(
    values: Vector, ticks: Vector, shift: Vector, values_at: Callable[[Vector], Vector]
) -> Vector:
    """Return the zero contour as segments: grid edges crossed, refined, joined cell by cell."""
    firsts, seconds, first_values, number_of = [], [], [], []
    count = 0
    for axis in (0, 1):
        low = np.take(values, range(values.shape[axis] - 1), axis=axis)
        high = np.take(values, range(1, values.shape[axis]), axis=axis)
        crossed = (low < 0) != (high < 0)
        numbers = np.full(crossed.shape, -1)
        numbers[crossed] = count + np.arange(crossed.sum())
        count += int(crossed.sum())
        number_of.append(numbers)
        first = np.argwhere(crossed)
        second = first.copy()
        second[:, axis] += 1
        firsts.append(ticks[first] + shift)
        seconds.append(ticks[second] + shift)
        first_values.append(values[tuple(first.T)])
    points = _refined(
        np.concatenate(firsts), np.concatenate(seconds), np.concatenate(first_values), values_at
    )
    along_first, along_second = number_of
    cells = np.stack(
        [along_first[:, :-1], along_first[:, 1:], along_second[:-1], along_second[1:]], axis=-1
    ).reshape(-1, 4)
    pairs: list[tuple[int, int]] = []
    for cell in cells[(cells >= 0).sum(axis=1) >= 2]:  # noqa: PLR2004 - a segment has two ends
        ends = cell[cell >= 0]
        pairs.extend((int(ends[k]), int(ends[k + 1])) for k in range(0, len(ends) - 1, 2))
    return np.asarray(points[np.array(pairs)])


def _refined(
    first: Vector, second: Vector, first_value: Vector, values_at: Callable[[Vector], Vector]
) -> Vector:
    """Return where the surface cuts each grid edge, by halving it."""
    first_is_inside = first_value < 0
    low, high = np.zeros(len(first)), np.ones(len(first))
    for _ in range(9):
        half = (low + high) / 2
        point = first + half[:, np.newaxis] * (second - first)
        same_side = (values_at(point) < 0) == first_is_inside
        low, high = np.where(same_side, half, low), np.where(same_side, high, half)
    return np.asarray(first + ((low + high) / 2)[:, np.newaxis] * (second - first))


def nearest_on(segments: Vector, points: Vector) -> Vector:
    """Return the nearest point of the contour to each point, shape (n, 2)."""
    start, along = segments[:, 0], segments[:, 1] - segments[:, 0]
    squared = np.maximum((along**2).sum(axis=1), 1e-12)
    relative = points[:, np.newaxis] - start
    share = np.clip((relative * along).sum(axis=2) / squared, 0, 1)
    feet = start + share[..., np.newaxis] * along
    best = ((points[:, np.newaxis] - feet) ** 2).sum(axis=2).argmin(axis=1)
    return np.asarray(feet[np.arange(len(points)), best])


def walls_of(away: Vector) -> list[str]:
    """Return which wall each line from the contour outwards crosses, by 90 degree sectors."""
    sideways = np.abs(away[:, 0]) >= np.abs(away[:, 1])
    medial, cranial = away[:, 0] > 0, away[:, 1] > 0
    names = np.where(
        sideways, np.where(medial, "medial", "lateral"), np.where(cranial, "cranial", "caudal")
    )
    return [str(name) for name in names]


def _directions_about(middle: Vector, spread_rad: float, count: int) -> Vector:
    """Return unit directions evenly spread over a cone, shape (count + 1, 3), middle first."""
    middle = middle / np.linalg.norm(middle)
    aside = np.cross(middle, (1.0, 0.0, 0.0) if abs(middle[0]) < 0.9 else (0.0, 1.0, 0.0))  # noqa: PLR2004 - any axis that is not near it
    aside /= np.linalg.norm(aside)
    other = np.cross(middle, aside)
    k = np.arange(count + 1)
    height = 1 - (1 - np.cos(spread_rad)) * k / count
    turn = k * np.pi * (3 - np.sqrt(5))
    flat = np.sqrt(1 - height**2)
    return np.asarray(
        height[:, np.newaxis] * middle
        + (flat * np.cos(turn))[:, np.newaxis] * aside
        + (flat * np.sin(turn))[:, np.newaxis] * other
    )


def _first_hit(outer: OuterDistance, point: Vector, rays: Vector) -> tuple[Vector, float]:
    """Return the ray that meets bone soonest, and after how many millimetres."""
    steps = np.arange(0.0, 15.0, 0.05)
    points = point + steps[np.newaxis, :, np.newaxis] * rays[:, np.newaxis]
    values = outer(coordinates_of(points.reshape(-1, 3))).reshape(len(rays), len(steps))
    inside = values < 0
    first = np.where(inside.any(axis=1), inside.argmax(axis=1), len(steps) - 1)
    rows = np.arange(len(rays))
    before, after = values[rows, first - 1], values[rows, first]
    share = np.clip(before / np.maximum(before - after, 1e-6), 0, 1)
    hits = np.where(inside.any(axis=1), steps[first - 1] + share * 0.05, np.inf)
    best = int(hits.argmin())
    return rays[best], float(hits[best])
