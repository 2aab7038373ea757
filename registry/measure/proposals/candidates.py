"""Straight runs of metal that may be screws: guessed lines, the likeliest first."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.axes import patient_to_voxel
from registry.measure.proposals.metal_parts import LEAST_METAL_HU, metal_parts
from registry.measure.shank import Line

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from registry.measure.axes import FloatArray
    from registry.measure.proposals.metal_parts import MetalPart
    from registry.measure.sampling import Voxels

STEEPEST_DEG = 72.0
"""Directions farther from straight ahead are no screw's, in a turned vertebra or pelvis; ours."""
_SEED_CELL_MM = 4.0
_SEEDS_AT_ONCE = 64
_REACH_MM = 60.0
_STEP_MM = 1.0
_SHORTEST_MM = 12.0
_COUNTED_MM = 45.0
_PER_SEED = 3
_APART_DEG = 15.0
_THICKEST_MM = 7.0
_SPOKES = 12


@dataclass(frozen=True, eq=False)
class Candidate:
    """A guessed line through metal.

    Attributes
    ----------
    line : forwards, its origin in the middle of the run
    length_mm : of the run
    radius_mm : median distance from the line to the metal's edge
    threshold : HU, by which the run was followed
    score : the greater, the likelier a screw
    """

    line: Line
    length_mm: float
    radius_mm: float
    threshold: float
    score: float


def candidates(voxels: Voxels, affine: ArrayLike) -> list[Candidate]:
    """Return guessed lines through all metal of a scan, best first; many a screw."""
    found: list[Candidate] = []
    for part in metal_parts(voxels, affine):
        walk = _Walk(voxels, affine, part)
        seeds = part.places(_seeds(part), affine)
        for first in range(0, len(seeds), _SEEDS_AT_ONCE):
            found += _from_seeds(walk, seeds[first : first + _SEEDS_AT_ONCE])
    return sorted(found, key=lambda each: -each.score)


def _seeds(part: MetalPart) -> NDArray[np.int64]:
    """Return the deepest cell of metal in every 4 mm, (n, 3)."""
    ridge = part.depth_mm >= ndimage.maximum_filter(part.depth_mm, size=3) - 0.01
    cells = np.argwhere(part.is_metal & ridge)
    depth = part.depth_mm[tuple(cells.T)]
    coarse = cells // np.maximum(1, np.rint(_SEED_CELL_MM / part.cell_mm)).astype(np.int64)
    order = np.argsort(-depth, kind="stable")
    _, first = np.unique(coarse[order], axis=0, return_index=True)
    kept: NDArray[np.int64] = cells[order[np.sort(first)]]
    return kept


def directions() -> FloatArray:
    """Return unit vectors within 72 degrees of straight ahead, evenly spread, (n, 3)."""
    count = 800
    number = np.arange(count) + 0.5
    height = 1.0 - 2.0 * number / count
    turn = math.pi * (1.0 + math.sqrt(5.0)) * number
    flat = np.sqrt(1.0 - height**2)
    sphere = np.column_stack([flat * np.cos(turn), -height, flat * np.sin(turn)])
    return sphere[sphere[:, 1] <= -math.cos(math.radians(STEEPEST_DEG))]


class _Walk:
    """Steps along lines through the voxels of one part of the metal."""

    def __init__(self, voxels: Voxels, affine: ArrayLike, part: MetalPart) -> None:
        low, high = part.corner_kji, part.stop_kji
        block = np.asarray(voxels[low[0] : high[0], low[1] : high[1], low[2] : high[2]])
        # A rim that is no metal stands for everything outside.
        self._block = np.pad(block, 1, constant_values=-1024)
        self._top = np.array(self._block.shape) - 1
        self._affine = np.asarray(affine, dtype=np.float64)
        self._inverse = np.linalg.inv(self._affine[:3, :3])
        self._low = low

    def values(self, points_mm: FloatArray) -> NDArray[np.signedinteger]:
        """Return the voxel nearest each point, (...)."""
        kji = patient_to_voxel(points_mm, self._affine)[..., ::-1] - (self._low - 1)
        return self._at(np.rint(kji).astype(np.int32))

    def _at(self, kji: NDArray[np.int32]) -> NDArray[np.signedinteger]:
        kji = np.clip(kji, 0, self._top.astype(np.int32))
        flat = (kji[..., 0] * self._block.shape[1] + kji[..., 1]) * self._block.shape[2]
        values: NDArray[np.signedinteger] = self._block.ravel()[flat + kji[..., 2]]
        return values

    def run(self, seeds: FloatArray, ways: FloatArray, thresholds: FloatArray) -> FloatArray:
        """Return how far metal reaches from each seed each way, mm, (seeds, ways)."""
        start = patient_to_voxel(seeds, self._affine)[:, ::-1] - (self._low - 1)
        step = (ways @ self._inverse.T)[:, ::-1] * _STEP_MM
        alive = np.ones((len(seeds), len(ways)), dtype=bool)
        length = np.zeros(alive.shape)
        seed_of, way_of = np.nonzero(alive)
        for number in range(1, round(_REACH_MM / _STEP_MM) + 1):
            kji = np.rint(start[seed_of] + number * step[way_of]).astype(np.int32)
            on = self._at(kji) >= thresholds[seed_of]
            seed_of, way_of = seed_of[on], way_of[on]
            if len(seed_of) == 0:
                break
            length[seed_of, way_of] = number * _STEP_MM
        return length


def _from_seeds(walk: _Walk, seeds: FloatArray) -> list[Candidate]:
    ways = directions()
    thresholds = np.maximum(LEAST_METAL_HU, 0.5 * walk.values(seeds))
    ahead = walk.run(seeds, ways, thresholds)
    behind = walk.run(seeds, -ways, thresholds)
    length = ahead + behind
    # Long runs count alike, and less the more they turn from straight ahead: a rod loses to a
    # screw.
    score = np.minimum(length, _COUNTED_MM) * np.sqrt(-ways[:, 1])
    score[length < _SHORTEST_MM] = 0.0
    alike = ways @ ways.T > math.cos(math.radians(_APART_DEG))
    left = score.copy()
    rows = np.arange(len(seeds))
    found = []
    for _ in range(_PER_SEED):
        best = left.argmax(axis=1)
        top = score[rows, best]
        # Among equals the middle one runs nearest the metal's own axis.
        together = alike[best] & (score >= 0.95 * top[:, None])
        mean = together @ ways
        mean /= np.linalg.norm(mean, axis=1)[:, None]
        middle = seeds + ((ahead - behind)[rows, best] / 2.0)[:, None] * mean
        kept = left[rows, best] > 0.0
        runs = (middle[kept], mean[kept], length[rows, best][kept], thresholds[kept])
        found += _weighed(walk, *runs)
        left[alike[best]] = 0.0
    return found


def _weighed(
    walk: _Walk, middles: FloatArray, ways: FloatArray, lengths: FloatArray, thresholds: FloatArray
) -> list[Candidate]:
    """Return those runs that are thin, with their widths."""
    if len(ways) == 0:
        return []
    turn = np.arange(_SPOKES) * 2.0 * math.pi / _SPOKES
    first = np.cross(ways, (0.0, 0.0, 1.0))
    first /= np.linalg.norm(first, axis=1)[:, None]
    second = np.cross(ways, first)
    spokes = np.cos(turn)[:, None] * first[:, None] + np.sin(turn)[:, None] * second[:, None]
    out = np.arange(0.5, _THICKEST_MM + 1.0, 0.5)
    along = np.linspace(-0.35, 0.35, 9) * lengths[:, None]
    on_line = middles[:, None] + along[..., None] * ways[:, None]
    points = on_line[:, :, None, None] + (spokes[:, :, None] * out[:, None])[:, None]
    is_metal = walk.values(points) >= thresholds[:, None, None, None]
    reach = np.logical_and.accumulate(is_metal, axis=-1).sum(axis=-1) * 0.5
    # Opposite spokes together span the width, wherever the line runs in the metal.
    widths = reach[..., : _SPOKES // 2] + reach[..., _SPOKES // 2 :]
    radii = np.maximum(np.median(widths.reshape(len(widths), -1), axis=1) / 2.0, 0.5)
    scores = np.minimum(lengths, _COUNTED_MM) * np.sqrt(-ways[:, 1])
    scores *= np.minimum(1.0, lengths / radii / 8.0)
    return [
        Candidate(
            Line(middles[n], ways[n]),
            float(lengths[n]),
            float(radii[n]),
            float(thresholds[n]),
            float(scores[n]),
        )
        for n in np.flatnonzero((radii <= _THICKEST_MM) & (lengths >= 3.0 * radii))
    ]
