"""Solids as fields that are negative inside and near to the distance, in mm, around the surface."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

FAR_MM = 30.0
CULL_MM = 6.0


def smooth_min(first, second, blend_mm):
    """Return the union of two fields with a fillet about `blend_mm` wide (quadratic blending)."""
    mix = np.maximum(blend_mm - np.abs(first - second), 0.0) / blend_mm
    return np.minimum(first, second) - mix * mix * (blend_mm * 0.25)


def smooth_max(first, second, blend_mm):
    return -smooth_min(-first, -second, blend_mm)


@dataclass(frozen=True)
class Loft:
    """A rounded bar: a tear-drop or kidney section swept along a line that may curve.

    origin, along, across, up : the line's middle and its three unit directions
    start, stop : ends along the line, mm
    half_across, half_up : (at the middle, per mm, per mm squared), half sizes
    bend_across, bend_up : mm of sideways course per mm squared
    drop : how much wider the upper end of the section is than the lower, -0.6 to 0.6
    kidney : how far the section's middle bows sideways, in shares of its half width
    cortex_mm, uneven : cortical thickness, and by how much more on the side of +across
    blend_mm : the fillet where it joins the rest
    """

    origin: np.ndarray
    along: np.ndarray
    across: np.ndarray
    up: np.ndarray
    start: float
    stop: float
    half_across: tuple[float, float, float]
    half_up: tuple[float, float, float]
    bend_across: float = 0.0
    bend_up: float = 0.0
    drop: float = 0.0
    kidney: float = 0.0
    cortex_mm: float = 1.2
    uneven: float = 0.0
    blend_mm: float = 2.5

    @cached_property
    def reach_mm(self) -> float:
        length = max(abs(self.start), abs(self.stop))
        bend = max(abs(self.bend_across), abs(self.bend_up)) * length**2
        widest = max(
            np.polyval(half[::-1], end)
            for half in (self.half_across, self.half_up)
            for end in (self.start, 0.0, self.stop)
        )
        return float(np.hypot(length, widest + bend))

    def centre(self, where):
        """Return points of the line, (n, 3), at `where` mm along it."""
        s = np.asarray(where, dtype=float)[..., None]
        bend = self.bend_across * self.across + self.bend_up * self.up
        return self.origin + s * self.along + s * s * bend

    def own(self, points):
        offset = points - self.origin.astype(points.dtype)
        s = offset @ self.along.astype(points.dtype)
        u = offset @ self.across.astype(points.dtype) - self.bend_across * s * s
        v = offset @ self.up.astype(points.dtype) - self.bend_up * s * s
        return s, u, v

    def field(self, points):
        """Return the field and the cortical thickness at points (n, 3)."""
        s, u, v = self.own(points)
        held = np.clip(s, self.start, self.stop)
        wide = self.half_across[0] + held * (self.half_across[1] + held * self.half_across[2])
        tall = self.half_up[0] + held * (self.half_up[1] + held * self.half_up[2])
        height = np.clip(v / tall, -1.2, 1.2)
        bowed = u - self.kidney * wide * (height * height - 0.5)
        width = wide * (1.0 + self.drop * height)
        beside = _ellipse(bowed, v, width, tall)
        past = np.maximum(self.start - s, s - self.stop)
        cortex = self.cortex_mm * (1.0 + self.uneven * np.clip(u / wide, -1.0, 1.0))
        return smooth_max(beside, past, 3.0), cortex


def _ellipse(u, v, wide, tall):
    x, y = u / wide, v / tall
    size = np.sqrt(x * x + y * y) + 1e-6
    slope = np.sqrt((x / wide) ** 2 + (y / tall) ** 2) + 1e-6 / np.minimum(wide, tall)
    return size * (size - 1.0) / slope


def bar(begin, end, up, half_across, half_up, **more) -> Loft:
    """Return a loft between two points; half sizes are (at begin, at end)."""
    begin, end = np.asarray(begin, dtype=float), np.asarray(end, dtype=float)
    length = float(np.linalg.norm(end - begin))
    along = (end - begin) / length
    up = np.asarray(up, dtype=float)
    up = up - (up @ along) * along
    up = up / np.linalg.norm(up)

    def linear(pair):
        return ((pair[0] + pair[1]) / 2.0, (pair[1] - pair[0]) / length, 0.0)

    return Loft(
        origin=(begin + end) / 2.0,
        along=along,
        across=np.cross(along, up),
        up=up,
        start=-length / 2.0,
        stop=length / 2.0,
        half_across=linear(half_across),
        half_up=linear(half_up),
        **more,
    )


def widened(loft: Loft, by_mm: float) -> Loft:
    return replace(
        loft,
        half_across=(loft.half_across[0] + by_mm, *loft.half_across[1:]),
        half_up=(loft.half_up[0] + by_mm, *loft.half_up[1:]),
        start=loft.start - by_mm,
        stop=loft.stop + by_mm,
    )


@dataclass(frozen=True)
class Body:
    """A vertebral body: waisted, hollow behind, with dished endplates and bony spurs at the rims.

    spurs : rows of (bearing in radians, +1 upper or -1 lower rim, width in radians, mm)
    wedge : slope of the lower endplate, mm per mm backwards
    """

    width: float
    depth: float
    height: float
    waist: float = 0.10
    hollow: float = 0.13
    dish_mm: float = 1.4
    wedge: float = 0.0
    skew: float = 0.0
    spurs: tuple[tuple[float, int, float, float], ...] = ()
    cortex_mm: float = 0.8
    blend_mm: float = 2.5

    @cached_property
    def reach_mm(self) -> float:
        return float(np.linalg.norm([self.width, self.depth, self.height]) / 2.0 + 5.0)

    def field(self, points):
        """Return the field and the cortical thickness at points (n, 3)."""
        x, y, z = points[:, 0], points[:, 1], points[:, 2]
        low = -self.height / 2.0 + self.wedge * y
        rel = np.clip((2.0 * z - low - self.height / 2.0) / (self.height / 2.0 - low), -1.15, 1.15)
        scale = 1.0 - self.waist * (1.0 - rel * rel)
        half = self.width / 2.0 * scale * (1.0 + self.skew * rel)
        behind = 1.0 - self.hollow * np.exp(-((x / (0.3 * self.width)) ** 2)) * np.clip(
            y / (0.3 * self.depth), 0.0, 1.0
        )
        deep = self.depth / 2.0 * scale * behind
        across, back = np.abs(x / half), np.abs(y / deep)
        size = (across**2.4 + back**2.4 + 1e-9) ** (1.0 / 2.4)
        radius = np.sqrt(x * x + y * y)
        side = (size - 1.0) / np.maximum(size, 0.05) * np.maximum(radius, 4.0) * 0.95
        bearing = np.arctan2(y, x)
        for at, rim, spread, mm in self.spurs:
            turn = np.abs((bearing - at + np.pi) % (2.0 * np.pi) - np.pi)
            side = side - mm * np.exp(-((turn / spread) ** 2) - ((rel - rim) / 0.22) ** 2)
        dish = self.dish_mm * np.clip(1.0 - size * size, 0.0, 1.0)
        ends = np.maximum(z - self.height / 2.0 + dish, low + dish - z)
        return smooth_max(side, ends, 2.0), np.full_like(x, self.cortex_mm)


def bounds(points):
    """Return the lowest and the highest coordinates of points (n, 3), n at least 1."""
    columns = [points[:, axis] for axis in range(3)]
    return np.array([c.min() for c in columns]), np.array([c.max() for c in columns])


def union(parts, points, between=None):
    """Return field and cortex of blended parts; each part is only worked out near itself.

    between : the points' bounds, worked out here when None
    """
    total = np.full(len(points), FAR_MM, dtype=points.dtype)
    cortex = np.ones(len(points), dtype=points.dtype)
    if not len(points):
        return total, cortex
    low, high = between or bounds(points)
    for part in parts:
        centre = getattr(part, "origin", np.zeros(3)).astype(points.dtype)
        apart = np.maximum(np.maximum(low - centre, centre - high), 0.0)
        if apart @ apart > (part.reach_mm + CULL_MM) ** 2:
            continue
        offset = points - centre
        near = np.flatnonzero(
            np.einsum("ij,ij->i", offset, offset) < (part.reach_mm + CULL_MM) ** 2
        )
        if not len(near):
            continue
        field, thickness = part.field(points[near])
        was = total[near]
        total[near] = smooth_min(was, field, part.blend_mm)
        cortex[near] = np.where(field < was, thickness, cortex[near])
    return total, cortex
