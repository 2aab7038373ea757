"""A bone's outer surface as places with normals, to find the perpendicular from a point to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import KDTree

from ..solids import coordinates_of

if TYPE_CHECKING:
    from ..levels import Vector
    from ..solids import Grid
    from .spine import Bony

_NUDGE_MM = 0.05


@dataclass(frozen=True, eq=False)
class Surface:
    """Places where a grid's lines cross the surface, shape (n, 3), LPS, and a tree of them."""

    bone: Bony
    places: Vector
    tree: KDTree

    @classmethod
    def of(cls, bone: Bony, grid: Grid) -> Surface:
        """Return the surface within a grid, crossed by its lines and refined by interpolation."""
        values = bone.fields(grid).outer.astype(np.float64)
        ticks = (grid.z, grid.y, grid.x)
        found = []
        for axis in range(3):
            low = np.take(values, range(values.shape[axis] - 1), axis=axis)
            high = np.take(values, range(1, values.shape[axis]), axis=axis)
            index = np.argwhere((low < 0) != (high < 0))
            at = tuple(index.T)
            share = low[at] / (low[at] - high[at])
            place = np.stack([ticks[k][index[:, k]] for k in range(3)], axis=1).astype(np.float64)
            step = float(ticks[axis][1] - ticks[axis][0])
            place[:, axis] += share * step
            found.append(place[:, ::-1])
        places = np.concatenate(found)
        return cls(bone, places, KDTree(places))

    def nearest(self, points: Vector) -> tuple[Vector, Vector, Vector]:
        """Return each point's distance from the surface, the nearest place, the normal there."""
        places = self.places[self.tree.query(points)[1]]
        normals = self._normals(places)
        # Between places, half a step apart, the surface is taken as flat.
        return np.abs(((points - places) * normals).sum(axis=1)), places, normals

    def _normals(self, places: Vector) -> Vector:
        gradient = np.empty_like(places)
        for k in range(3):
            step = np.zeros(3)
            step[k] = _NUDGE_MM
            ahead = self.bone.outer_distance(coordinates_of(places + step)).astype(np.float64)
            behind = self.bone.outer_distance(coordinates_of(places - step)).astype(np.float64)
            gradient[:, k] = ahead - behind
        length = np.linalg.norm(gradient, axis=1, keepdims=True)
        return np.asarray(gradient / np.maximum(length, 1e-9))
