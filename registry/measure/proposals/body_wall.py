"""The wall of a vertebral body, as a smooth sheet around its middle."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import ndimage
from scipy.spatial import KDTree

from registry.measure.proposals.evidence import thin_wall
from registry.measure.proposals.midplane import METAL_HU
from registry.measure.proposals.surfaces import fall_places, filled, least_cost, passing_cost
from registry.measure.proposals.thin_walls import thin_wall_shifts

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from registry.measure.axes import FloatArray
    from registry.measure.proposals.endplates import Endplate
    from registry.measure.proposals.midplane import VertebraFrame
    from registry.measure.proposals.straight import Tissue
    from registry.measure.proposals.surfaces import Mask
    from registry.measure.sampling import Voxels

TURNS = 90
LEVEL_STEP_MM = 1.5
FIRST_MM, LAST_MM, OUTWARD_STEP_MM = 6.0, 38.0, 0.5
FROM_ENDPLATE_MM = 3.0
LEAST_LEVELS = 3
SEEN_FROM = 0.25
_HIDDEN_COST = 0.55
_FULL_FALL = 0.22
_USUAL_MM, _SLACK_MM, _FARTHER_COST = 20.0, 9.0, 0.002


@dataclass(frozen=True, eq=False)
class BodyWall:
    """The body's wall in the vertebra's own coordinates (left, back, up), mm.

    Attributes
    ----------
    middle_mm : (left, back) of the line that it is seen from
    levels_mm : (n,), heights up
    radii_mm : (n, turns), from that line; turn 0 leads to the left, a quarter to the back
    is_seen : (n, turns), the picture shows the wall there
    """

    middle_mm: tuple[float, float]
    levels_mm: FloatArray
    radii_mm: FloatArray
    is_seen: Mask

    @cached_property
    def points_mm(self) -> FloatArray:
        """Places on the wall, (n, turns, 3)."""
        turns = _turns()
        left = self.middle_mm[0] + self.radii_mm * np.cos(turns)
        back = self.middle_mm[1] + self.radii_mm * np.sin(turns)
        up = np.broadcast_to(self.levels_mm[:, None], left.shape)
        return np.stack([left, back, up], axis=-1)

    @cached_property
    def normals(self) -> FloatArray:
        """Unit vectors outwards there, (n, turns, 3)."""
        points = self.points_mm
        around = np.roll(points, -2, axis=1) - np.roll(points, 2, axis=1)
        along = np.gradient(points, axis=0)
        outwards = np.cross(around, along)
        found: FloatArray = outwards / np.linalg.norm(outwards, axis=-1, keepdims=True)
        return found

    @cached_property
    def _tree(self) -> KDTree:
        return KDTree(self.points_mm.reshape(-1, 3))

    def beyond_mm(self, places_mm: ArrayLike) -> tuple[FloatArray, FloatArray, Mask]:
        """Return how far places stand outside (negative within), the normals, and what is seen.

        Parameters
        ----------
        places_mm : (n, 3), the vertebra's own coordinates
        """
        places = np.asarray(places_mm, dtype=np.float64)
        nearest = np.asarray(self._tree.query(places)[1], dtype=np.intp)
        normal = self.normals.reshape(-1, 3)[nearest]
        foot = self.points_mm.reshape(-1, 3)[nearest]
        distance = np.einsum("ij,ij->i", places - foot, normal)
        is_seen: Mask = self.is_seen.reshape(-1)[nearest]
        return distance, normal, is_seen

    @property
    def centre_mm(self) -> tuple[float, float]:
        """The middle (left, back) between its front and its back wall in the midline."""
        quarter = TURNS // 4
        front = np.median(self.radii_mm[:, 3 * quarter])
        behind = np.median(self.radii_mm[:, quarter])
        return self.middle_mm[0], self.middle_mm[1] + float(behind - front) / 2.0


def _turns() -> FloatArray:
    return np.linspace(0.0, 2.0 * np.pi, TURNS, endpoint=False)


def find_body_wall(
    voxels: Voxels,
    affine: ArrayLike,
    frame: VertebraFrame,
    tissue: Tissue,
    middle_mm: tuple[float, float],
    plates: tuple[Endplate, Endplate],
) -> BodyWall | None:
    """Return the body's wall between its endplates, None where the body is too low to tell.

    Parameters
    ----------
    middle_mm : (left, back) about where the body's middle is
    plates : the upper and the lower one
    """
    upper, lower = (float(plate.height_mm(*middle_mm)) for plate in plates)
    levels = np.arange(lower + FROM_ENDPLATE_MM, upper - FROM_ENDPLATE_MM, LEVEL_STEP_MM)
    if len(levels) < LEAST_LEVELS:
        return None
    outwards = np.arange(FIRST_MM, LAST_MM + 0.1, OUTWARD_STEP_MM)
    turns = _turns()
    left = middle_mm[0] + outwards * np.cos(turns)[:, None]
    back = middle_mm[1] + outwards * np.sin(turns)[:, None]
    flat = np.stack([left, back], axis=-1)
    grid = np.empty((len(levels), *left.shape, 3))
    grid[..., :2] = flat
    grid[..., 2] = levels[:, None, None]
    values = frame.values(voxels, affine, grid).astype(np.float32)
    hidden = ndimage.binary_dilation(values > METAL_HU, structure=np.ones((3, 3, 5), dtype=bool))
    clipped = np.clip(values, tissue.soft_hu - 100.0, tissue.soft_hu + 1.3 * tissue.contrast_hu)
    smooth = filled(clipped, hidden, (0.7, 0.7, 0.6))
    evidence = thin_wall(smooth, tissue, 1.4, _FULL_FALL * OUTWARD_STEP_MM)
    away = np.maximum(0.0, np.abs(outwards - _USUAL_MM) - _SLACK_MM)
    cost = np.where(hidden, _HIDDEN_COST, 1.0 - evidence) + _FARTHER_COST * away**2
    cost += passing_cost(evidence, OUTWARD_STEP_MM)
    number = least_cost(cost.astype(np.float32), is_closed=(False, True))
    at = number[..., None]
    is_seen = ~np.take_along_axis(hidden, at, axis=-1)[..., 0]
    is_seen &= np.take_along_axis(evidence, at, axis=-1)[..., 0] > SEEN_FROM
    radii = fall_places(smooth, number, OUTWARD_STEP_MM, FIRST_MM)
    radii = radii - thin_wall_shifts(smooth, radii, OUTWARD_STEP_MM, FIRST_MM, is_seen)
    return BodyWall(middle_mm, levels, _smoothed(radii, is_seen), is_seen)


def _smoothed(radii: FloatArray, is_seen: Mask) -> FloatArray:
    """Return the radii with the unseen ones bridged and the grain taken off."""
    weight = np.where(is_seen, 1.0, 0.02)
    found = radii
    mode: list[Literal["nearest", "wrap"]] = ["nearest", "wrap"]
    for sigma in ((1.5, 2.5), (0.8, 1.0)):
        total = ndimage.gaussian_filter(found * weight, sigma, mode=mode)
        bridged = total / ndimage.gaussian_filter(weight, sigma, mode=mode)
        found = np.where(is_seen & (np.abs(found - bridged) < 1.5), found, bridged)  # noqa: PLR2004
    result: FloatArray = ndimage.gaussian_filter(found, (0.6, 0.7), mode=mode)
    return result
