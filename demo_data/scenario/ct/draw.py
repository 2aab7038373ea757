"""The CT itself: anatomy and metal sampled on the scanner's grid, with its blur and grain."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from .levels import LEVELS, Frame, Vector, spine_frames
from .metal import metal_on
from .placement import PlacedScrew, place_all
from .soft import Tissue, along_spine, paint_slice
from .solids import FAR_MM, Beam, Box, Field, Grid, VertebralBody, union_on
from .streaks import streaks_from
from .vertebra import Vertebra, build_vertebrae

SPACING_MM = (0.45, 1.0)
_FIELD_MM = 172.8
_FRONT_MM = -58.0
# In-plane sharpness of a bone kernel, and what a slice's thickness adds along z.
_SHARPNESS_MM = 0.36
_SLICE_VARIANCE_MM2 = 0.02
_GRAIN_HU = 24.0
_JOINT_MM = 1.7
_RIB_JOINT_MM = 2.2
_COARSE_STEP = 2
_STREAK_STEP = 3
# Body, pedicle, arch, rib: cortex thickness, cortex and marrow in Hounsfield units, and how
# strongly the trabeculae show.
_CORTEX_MM = np.array([0.75, 1.65, 1.5, 0.9], dtype=np.float32)
_CORTEX_HU = np.array([900.0, 1250.0, 1250.0, 900.0], dtype=np.float32)
_MARROW_HU = np.array([185.0, 240.0, 300.0, 170.0], dtype=np.float32)
_TRABECULAE_HU = np.array([75.0, 85.0, 105.0, 60.0], dtype=np.float32)
_BODY, _PEDICLE, _ARCH, _RIB = range(4)
_DISC_HU = 92.0


@dataclass(frozen=True)
class BoneMap:
    """Distance to the nearest bone's outer surface and which region it belongs to, (k, j, i)."""

    distance: Field
    region: npt.NDArray[np.uint8]


def grid_of(spacing_mm: tuple[float, float], levels: tuple[str, ...] | None) -> Grid:
    """Return the voxel grid: in-plane and slice spacing; all levels, or those named only."""
    frames = spine_frames()
    in_plane, between = spacing_mm
    count = round(_FIELD_MM / in_plane)
    x = (np.arange(count) - (count - 1) / 2) * in_plane
    y = _FRONT_MM + (np.arange(count) + 0.5) * in_plane
    if levels is None:
        top, bottom = frames["T10"].origin[2] + 4.0, frames["L5"].origin[2] - 2.0
    else:
        heights = [frames[level].origin[2] for level in levels]
        top, bottom = max(heights) + 20.0, min(heights) - 20.0
    z = np.arange(np.ceil(bottom), np.floor(top), between)
    return Grid(*(axis.astype(np.float32) for axis in (x, y, z)))


def affine_of(grid: Grid) -> Vector:
    """Return the 4 x 4 matrix from array indices (k, j, i, 1) to LPS millimetres."""
    affine = np.zeros((4, 4))
    for column, row, axis in ((0, 2, grid.z), (1, 1, grid.y), (2, 0, grid.x)):
        # Rounded as the files' decimal strings are.
        affine[row, column] = round(float(axis[1]) - float(axis[0]), 4)
        affine[row, 3] = round(float(axis[0]), 4)
    affine[3, 3] = 1.0
    return affine


def draw_volume(seed: int, grid: Grid) -> npt.NDArray[np.int16]:
    """Return the CT in Hounsfield units on a grid, shape (slices, rows, columns)."""
    generator = np.random.default_rng(seed)
    vertebrae = build_vertebrae()
    screws = place_all(vertebrae)
    volume = _soft_tissue(grid, generator)
    _add_discs(volume, grid, vertebrae)
    _add_bone(volume, _bone_map(grid, vertebrae), generator)
    metal = _add_metal(volume, grid, screws)
    _blur_between_slices(volume, float(grid.z[1] - grid.z[0]))
    _add_streaks(volume, grid, metal)
    _add_grain(volume, generator)
    return np.clip(np.rint(volume), -1024, 31743).astype(np.int16)


def coverage(distance: Field) -> Field:
    """Return how much of a blurred voxel lies inside a surface, from its signed distance."""
    table = special.ndtr(-_TABLE_MM / _SHARPNESS_MM).astype(np.float32)
    index = np.clip((distance + np.float32(_TABLE_REACH_MM)) * np.float32(100), 0, len(table) - 1)
    return np.asarray(table[index.astype(np.int32)])


_TABLE_REACH_MM = 2.0
_TABLE_MM = np.arange(-_TABLE_REACH_MM, _TABLE_REACH_MM + 0.001, 0.01)


def _interpolation(coarse: int, step: int, fine: int) -> Field:
    """Return the matrix (fine, coarse) that interpolates linearly between every step-th line."""
    place = np.minimum(np.arange(fine) / step, coarse - 1)
    low = np.minimum(place.astype(int), max(coarse - 2, 0))
    share = place - low
    matrix = np.zeros((fine, coarse), dtype=np.float32)
    matrix[np.arange(fine), low] = 1 - share
    if coarse > 1:
        matrix[np.arange(fine), low + 1] += share
    return matrix


def _add_upsampled(volume: Field, coarse: Field, step: int) -> None:
    """Add a coarse volume to the fine one, spread linearly: `step` in plane, two along z."""
    rows = _interpolation(coarse.shape[1], step, volume.shape[1])
    columns = _interpolation(coarse.shape[2], step, volume.shape[2]).T
    below = rows @ coarse[0] @ columns
    for low in range(len(coarse)):
        above = rows @ coarse[low + 1] @ columns if low + 1 < len(coarse) else below
        for k in range(low * _COARSE_STEP, min((low + 1) * _COARSE_STEP, len(volume))):
            share = np.float32(k / _COARSE_STEP - low)
            volume[k] += below * (1 - share) + above * share
        below = above


def _texture(
    generator: np.random.Generator, shape: tuple[int, ...], sigma: tuple[float, float, float]
) -> Field:
    """Return smoothed noise of unit spread."""
    field = generator.standard_normal(shape, dtype=np.float32)
    for axis, width in enumerate(sigma):
        if width > 0:
            field = ndimage.gaussian_filter1d(field, width, axis=axis, mode="wrap", truncate=3.0)
    return np.asarray(field / field.std(), dtype=np.float32)


def _soft_tissue(grid: Grid, generator: np.random.Generator) -> Field:
    coarse = Grid(grid.x[::_COARSE_STEP], grid.y[::_COARSE_STEP], grid.z[::_COARSE_STEP])
    tissue = Tissue(
        _texture(generator, coarse.shape, (5.0, 1.4, 1.4)),
        _texture(generator, coarse.shape, (1.5, 1.6, 1.6)),
    )
    bowel = int(generator.integers(2**31))
    frames = spine_frames()
    painted = np.stack(
        [
            paint_slice(coarse, k, along_spine(frames, float(z)), tissue, bowel)
            for k, z in enumerate(coarse.z)
        ]
    )
    _gas_bubbles(painted, coarse, frames, generator)
    volume = np.zeros(grid.shape, dtype=np.float32)
    _add_upsampled(volume, painted, _COARSE_STEP)
    return volume


def _gas_bubbles(
    painted: Field, grid: Grid, frames: dict[str, Frame], generator: np.random.Generator
) -> None:
    """Paint a few bubbles left in the wound, behind the arches."""
    for _ in range(26):
        z = generator.uniform(frames["L4"].origin[2] - 10, frames["T11"].origin[2] + 10)
        spine = along_spine(frames, z)
        behind = spine.y + spine.half_depth + spine.canal_depth
        side = generator.choice((-1.0, 1.0))
        middle = np.array(
            [spine.x + side * generator.uniform(5, 24), behind + generator.uniform(22, 33), z]
        )
        radius = generator.uniform(0.9, 2.6)
        box = grid.box(middle - radius - 2, middle + radius + 2)
        here = painted[box]
        if here.size:
            at = grid.part(box).coordinates()
            away = np.sqrt(
                (at.x - middle[0]) ** 2 + (at.y - middle[1]) ** 2 + ((at.z - z) / 1.6) ** 2
            )
            here += np.clip(0.5 - (away - radius), 0, 1) * (-780 - here)


def _add_discs(volume: Field, grid: Grid, vertebrae: dict[str, Vertebra]) -> None:
    for upper, lower in itertools.pairwise(LEVELS):
        above, below = vertebrae[upper.level].frame, vertebrae[lower.level].frame
        # A drum as wide as the body beneath, thick enough to reach into both endplates.
        middle = (
            above.to_patient((0.0, 0.0, -upper.height_mm / 2))
            + below.to_patient((0.0, 0.0, lower.height_mm / 2))
        ) / 2
        drum = VertebralBody(lower, Frame(middle, (above.axes + below.axes) / 2))
        thick = upper.disc_below_mm / 2 + 3.0
        box = grid.box(middle - 30.0, middle + 30.0)
        here = volume[box]
        if here.size == 0:
            continue
        at = grid.part(box).coordinates()
        height = np.abs(at.along(drum.frame.axes[:, 2], middle))
        inside = coverage(np.maximum(drum.distance(at) + 0.3, height - np.float32(thick)))
        here += inside * (_DISC_HU - here)


def _bone_map(grid: Grid, vertebrae: dict[str, Vertebra]) -> BoneMap:
    bone = BoneMap(
        np.full(grid.shape, FAR_MM, dtype=np.float32), np.zeros(grid.shape, dtype=np.uint8)
    )
    for vertebra in vertebrae.values():
        box = grid.box(*vertebra.corners())
        part = grid.part(box)
        if 0 in part.shape:
            continue
        fields = vertebra.fields(part)
        kind = np.where(fields.pedicles < fields.body, np.uint8(_PEDICLE), np.uint8(_BODY))
        kind[fields.arch < np.minimum(fields.pedicles, fields.body)] = _ARCH
        _lay_beside(bone, box, fields.outer, kind, _JOINT_MM)
    for ribs in (rib for vertebra in vertebrae.values() for rib in vertebra.ribs):
        box = grid.box(*_corners_of(ribs))
        part = grid.part(box)
        if 0 not in part.shape:
            kind = np.full(part.shape, _RIB, dtype=np.uint8)
            _lay_beside(bone, box, union_on(ribs, part, 1.0), kind, _RIB_JOINT_MM)
    return bone


def _corners_of(beams: tuple[Beam, ...]) -> tuple[Vector, Vector]:
    boxes = [beam.corners() for beam in beams]
    return np.min([box[0] for box in boxes], axis=0), np.max([box[1] for box in boxes], axis=0)


def _lay_beside(
    bone: BoneMap, box: Box, added: Field, kind: npt.NDArray[np.uint8], gap_mm: float
) -> None:
    """Add a bone to the map, in place; where it would meet another, a joint's width stays free."""
    distance, region = bone.distance[box], bone.region[box]
    gap = np.float32(gap_mm)
    kept = np.maximum(distance, (distance - added + gap) / 2)
    added = np.maximum(added, (added - distance + gap) / 2)
    nearer = added < kept
    distance[...] = np.where(nearer, added, kept)
    region[nearer] = kind[nearer]


def _add_bone(volume: Field, bone: BoneMap, generator: np.random.Generator) -> None:
    """Lay cortex and marrow over the soft tissue, with the trabecular grain of each region."""
    tile = (48, 288, 288)
    grain = _texture(generator, tile, (0.9, 0.75, 0.75)) - 0.55 * _texture(
        generator, tile, (2.0, 2.2, 2.2)
    )
    patches = _texture(generator, tile, (4.0, 6.0, 6.0))
    for k in range(volume.shape[0]):
        distance = bone.distance[k]
        rows, columns = np.nonzero(distance < 1.2)  # noqa: PLR2004 - beyond it coverage is nothing
        if rows.size == 0:
            continue
        depth = distance[rows, columns]
        region = bone.region[k][rows, columns]
        inside = coverage(depth)
        marrow_share = coverage(depth + _CORTEX_MM[region])
        place = (k % tile[0], rows % tile[1], columns % tile[2])
        marrow = _MARROW_HU[region] + _TRABECULAE_HU[region] * grain[place] + 22 * patches[place]
        cortex = _CORTEX_HU[region] + 45 * patches[place]
        soft = volume[k][rows, columns]
        volume[k][rows, columns] = (
            soft * (1 - inside) + cortex * (inside - marrow_share) + marrow * marrow_share
        )


def _add_metal(volume: Field, grid: Grid, screws: tuple[PlacedScrew, ...]) -> Field:
    """Lay the construct over everything; returns each voxel's share of metal."""
    distance, hounsfield = metal_on(grid, screws)
    near = distance < _TABLE_REACH_MM
    share = np.zeros_like(distance)
    share[near] = coverage(distance[near])
    volume[near] += share[near] * (hounsfield[near] - volume[near])
    return share


def _blur_between_slices(volume: Field, spacing_mm: float) -> None:
    """Spread each slice into its neighbours, in place, by the variance of the slice's profile."""
    weight = np.float32(min(0.25, _SLICE_VARIANCE_MM2 / (2 * spacing_mm**2)))
    before = volume[0].copy()
    for k in range(1, len(volume) - 1):
        here = volume[k].copy()
        volume[k] += weight * (before + volume[k + 1] - 2 * here)
        before = here


def _add_streaks(volume: Field, grid: Grid, share: Field) -> None:
    thinned = share[::_COARSE_STEP, ::_STREAK_STEP, ::_STREAK_STEP]
    spacing = float(grid.x[1] - grid.x[0]) * _STREAK_STEP
    _add_upsampled(volume, streaks_from(thinned, spacing), _STREAK_STEP)


def _add_grain(volume: Field, generator: np.random.Generator) -> None:
    """Add a sharp kernel's noise: correlated over a pixel or two, little at longer range."""
    for first in range(0, volume.shape[0], 64):
        block = volume[first : first + 64]
        grain = _texture(generator, block.shape, (0.45, 0.8, 0.8))
        for axis in (1, 2):
            smooth = ndimage.uniform_filter1d(grain, 7, axis=axis, mode="wrap")
            grain -= np.float32(0.5) * smooth
        block += grain * np.float32(_GRAIN_HU / float(grain.std()))
