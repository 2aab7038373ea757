"""The CT around a screw, straightened along its axis, with what the metal hides marked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.axes import section_frames
from registry.measure.sections import sample_sections

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from registry.domain.directions import Side
    from registry.measure.axes import FloatArray, Midplane, ScrewAxis
    from registry.measure.proposals.surfaces import Floats, Mask
    from registry.measure.sampling import Voxels

SPACING_MM = 0.5
HALF_WIDTH_MM = 20.0
STEP_MM = 1.0
BEFORE_MM, BEYOND_MM = 4.0, 6.0
"""How much is looked at before the entry and beyond the tip."""
METAL_HU = 2000.0
LEAST_BLOOM_MM, MOST_BLOOM_MM = 0.3, 3.0
VOXEL_SHARE = 0.5
_FAINT_HU = 100.0


@dataclass(frozen=True, eq=False)
class Tissue:
    """What soft tissue and cortex read about one screw, HU."""

    soft_hu: float
    cortex_hu: float

    @property
    def contrast_hu(self) -> float:
        """The difference, at least 150 HU."""
        return float(max(150.0, self.cortex_hu - self.soft_hu))


@dataclass(frozen=True, eq=False)
class Straight:
    """Sections of one screw, one above the other.

    Attributes
    ----------
    depths_mm : (k,), from the entry, evenly spaced
    values : (k, n, n), HU, rows from cranial to caudal, columns from lateral to medial
    hidden : (k, n, n), the metal and as far as its brightness reaches
    tissue : Tissue
    bloom_mm : how far the metal's brightness reaches beyond the screw's radius, across and up
    blur : (2,), how much wider than usual an edge across medial and across cranial is drawn
    """

    depths_mm: FloatArray
    values: Floats
    hidden: Mask
    tissue: Tissue
    bloom_mm: tuple[float, float]
    blur: tuple[float, float]

    @property
    def middle(self) -> float:
        """The row and column that the axis pierces."""
        return float(self.values.shape[1] - 1) / 2.0

    def clipped(self) -> Floats:
        """Return the values held between dark soft tissue and well above cortex."""
        soft, contrast = self.tissue.soft_hu, self.tissue.contrast_hu
        return np.clip(self.values, soft - 100.0, soft + 1.9 * contrast)


def straighten(
    voxels: Voxels,
    affine: ArrayLike,
    axis: ScrewAxis,
    side: Side,
    midplane: Midplane | None,
    radius_mm: float,
) -> Straight:
    """Return the CT around a screw; `radius_mm` 0 for a pedicle without one."""
    depths = np.arange(-BEFORE_MM, axis.length_mm + BEYOND_MM, STEP_MM)
    frames = section_frames(axis, [float(depth) for depth in depths], side, midplane)
    values = sample_sections(voxels, affine, frames, HALF_WIDTH_MM, SPACING_MM).astype(np.float32)
    bloom = (LEAST_BLOOM_MM, LEAST_BLOOM_MM)
    if radius_mm:
        bloom = bloom_mm(values, depths, radius_mm, axis.length_mm)
    matrix = np.asarray(affine, dtype=np.float64)[:3, :3]
    sizes = np.linalg.norm(matrix, axis=0)

    def width(direction: FloatArray) -> float:
        return float(np.linalg.norm((direction @ (matrix / sizes)) * sizes))

    blur = (width(frames[0].medial), width(frames[0].cranial))
    # The outermost brightness lies within a voxel of where it was last told from the rest.
    reach = (bloom[0] + VOXEL_SHARE * blur[0], bloom[1] + VOXEL_SHARE * blur[1])
    hidden = _hidden(values, radius_mm, reach)
    return Straight(depths, values, hidden, tissue_of(values, hidden), bloom, blur)


def tissue_of(values: Floats, hidden: Mask) -> Tissue:
    """Return what soft tissue and cortex read where no metal hides them."""
    seen = values[~hidden]
    soft = seen[(seen > -30.0) & (seen < 150.0)]  # noqa: PLR2004 - between fat and marrow
    soft_hu = float(np.median(soft)) if soft.size else 50.0
    bone = seen[seen > soft_hu + 200.0]
    cortex = float(np.percentile(bone, 80)) if bone.size > 100 else soft_hu + 600.0  # noqa: PLR2004
    return Tissue(soft_hu, cortex)


def bloom_mm(
    values: Floats, depths: FloatArray, radius_mm: float, length_mm: float
) -> tuple[float, float]:
    """Return how far beyond its radius a screw's own brightness reaches, across and up.

    Looked for in the shank's front half, where it lies in the body's marrow: at each distance the
    brightness that 30% of the places stay below is taken, so that cortex beside it does not count.
    """
    places = np.flatnonzero((depths > 0.55 * length_mm) & (depths < length_mm - 4.0))
    beyond = np.arange(0.0, 4.01, 0.1)
    spread = np.radians(np.linspace(-30.0, 30.0, 9))
    found = []
    for about in (0.0, np.pi / 2.0):
        turns = np.concatenate([about + spread, about + np.pi + spread])[:, None]
        ring = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
        rays = sampled(values[places], (radius_mm + beyond)[:, None] * ring[None])
        profile = np.percentile(rays.reshape(-1, len(beyond)), 30, axis=0)
        bright = np.flatnonzero(profile > np.median(profile[25:]) + _FAINT_HU)
        reach = beyond[bright[-1]] + 0.1 if bright.size else LEAST_BLOOM_MM
        found.append(float(np.clip(reach, LEAST_BLOOM_MM, MOST_BLOOM_MM)))
    return found[0], found[1]


def sampled(values: Floats, points_mm: FloatArray) -> Floats:
    """Return values of sections at points (u, v) about their axis.

    Parameters
    ----------
    values : (k, n, n), sections as in `Straight`
    points_mm : (k, ..., 2), or (1, ..., 2) for the same points in each

    Returns
    -------
    (k, ...)
    """
    middle = (values.shape[1] - 1) / 2.0
    shape = (len(values), *points_mm.shape[1:-1])
    rows = np.broadcast_to(middle - points_mm[..., 1] / SPACING_MM, shape)
    columns = np.broadcast_to(middle + points_mm[..., 0] / SPACING_MM, shape)
    slices = np.broadcast_to(np.arange(len(values)).reshape(-1, *[1] * (len(shape) - 1)), shape)
    found = ndimage.map_coordinates(values, [slices, rows, columns], order=1, mode="nearest")
    return np.asarray(found, dtype=np.float32)


def _hidden(values: Floats, radius_mm: float, bloom: tuple[float, float]) -> Mask:
    across, up = (0.8 * each + 0.2 for each in bloom)
    cells = int(np.ceil(max(across, up) / SPACING_MM))
    ticks = np.arange(-cells, cells + 1) * SPACING_MM
    disc = np.hypot(ticks[:, None] / up, ticks / across) <= 1.0
    hidden = ndimage.binary_dilation(values > METAL_HU, structure=disc[None])
    if radius_mm:
        ticks = (np.arange(values.shape[1]) - (values.shape[1] - 1) / 2.0) * SPACING_MM
        across, up = (radius_mm + each + 0.25 for each in bloom)
        hidden |= (np.hypot(ticks[:, None] / up, ticks / across) < 1.0)[None]
    found: NDArray[np.bool_] = hidden
    return found
