"""The CT itself: anatomy and metal sampled on the scanner's grid, with its blur and grain."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from .bone import TABLE_REACH_MM, Bone, BoneLook, Edge, add_bone, bone_map
from .levels import LEVELS, Frame, LevelShape, Vector, spine_frames
from .metal import Part, construct_parts, metal_on
from .placement import place_all
from .solids import Field, Grid, VertebralBody
from .spread import COARSE_STEP, add_upsampled, texture
from .streaks import StreakLook, streaks_from
from .tissue import SoftBody, soft_tissue
from .vertebra import build_vertebrae

SPACING_MM = (0.45, 1.0)
_FIELD_MM = 172.8
_FRONT_MM = -58.0
# What a slice's thickness adds along z.
_SLICE_VARIANCE_MM2 = 0.02
_STREAK_CELL_MM = 1.35
METAL_FROM_HU = 1000.0
_DISC_HU = 92.0


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


@dataclass(frozen=True)
class Subject:
    """What is drawn, in the grid's own coordinates: bones, soft tissue, metal and discs' solids."""

    shapes: tuple[LevelShape, ...]
    frames: dict[str, Frame]
    bones: tuple[Bone, ...]
    soft: SoftBody
    metal: tuple[Part, ...]


@dataclass(frozen=True)
class Look:
    """How bone, metal and the scanner show.

    `grain_hu` is the noise's spread and `grain_voxels` its correlation along slices' normal and
    in plane; `bloom_mm` is how far metal seems to swell.
    """

    bone: BoneLook = field(default_factory=BoneLook)
    edge: Edge = field(default_factory=Edge)
    streaks: StreakLook = field(default_factory=StreakLook)
    grain_hu: float = 24.0
    grain_voxels: tuple[float, float] = (0.45, 0.8)
    bloom_mm: float = 0.0


def draw_volume(seed: int, grid: Grid) -> npt.NDArray[np.int16]:
    """Return the demo's CT in Hounsfield units on a grid, shape (slices, rows, columns)."""
    vertebrae = build_vertebrae()
    frames = spine_frames()
    metal = tuple(construct_parts(place_all(vertebrae)))
    subject = Subject(LEVELS, frames, tuple(vertebrae.values()), SoftBody(frames), metal)
    generator, look = np.random.default_rng(seed), Look()
    volume = draw_subject(grid, subject, look, generator)
    add_grain(volume, generator, look)
    return np.clip(np.rint(volume), -1024, 31743).astype(np.int16)


def draw_subject(grid: Grid, subject: Subject, look: Look, generator: np.random.Generator) -> Field:
    """Return the CT in Hounsfield units without the scanner's grain, (slices, rows, columns)."""
    volume = soft_tissue(grid, subject.soft, generator)
    _add_discs(volume, grid, subject, look.edge)
    add_bone(volume, bone_map(grid, subject.bones), generator, look.bone, look.edge)
    metal = _add_metal(volume, grid, subject.metal, look)
    _blur_between_slices(volume, float(grid.z[1] - grid.z[0]))
    _add_streaks(volume, grid, metal, look.streaks)
    return volume


def _add_discs(volume: Field, grid: Grid, subject: Subject, edge: Edge) -> None:
    for upper, lower in itertools.pairwise(subject.shapes):
        above, below = subject.frames[upper.level], subject.frames[lower.level]
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
        inside = edge.coverage(np.maximum(drum.distance(at) + 0.3, height - np.float32(thick)))
        here += inside * (_DISC_HU - here)


def _add_metal(volume: Field, grid: Grid, metal: tuple[Part, ...], look: Look) -> Field:
    """Lay the construct over everything; returns each voxel's share of metal."""
    distance, hounsfield = metal_on(grid, metal)
    if look.bloom_mm:
        distance -= np.float32(look.bloom_mm)
    near = distance < TABLE_REACH_MM
    share = np.zeros_like(distance)
    share[near] = look.edge.coverage(distance[near])
    volume[near] += share[near] * (hounsfield[near] - volume[near])
    # Plastic parts are laid in the same way and cast no streaks.
    share[hounsfield < METAL_FROM_HU] = 0
    return share


def _blur_between_slices(volume: Field, spacing_mm: float) -> None:
    """Spread each slice into its neighbours, in place, by the variance of the slice's profile."""
    weight = np.float32(min(0.25, _SLICE_VARIANCE_MM2 / (2 * spacing_mm**2)))
    before = volume[0].copy()
    for k in range(1, len(volume) - 1):
        here = volume[k].copy()
        volume[k] += weight * (before + volume[k + 1] - 2 * here)
        before = here


def _add_streaks(volume: Field, grid: Grid, share: Field, look: StreakLook) -> None:
    in_plane = float(grid.x[1] - grid.x[0])
    step = max(1, round(_STREAK_CELL_MM / in_plane))
    thinned = share[::COARSE_STEP, ::step, ::step]
    add_upsampled(volume, streaks_from(thinned, in_plane * step, look), step)


def add_grain(volume: Field, generator: np.random.Generator, look: Look) -> None:
    """Add a sharp kernel's noise, in place: correlated over a pixel or two, little farther."""
    along, across = look.grain_voxels
    for first in range(0, volume.shape[0], 64):
        block = volume[first : first + 64]
        grain = texture(generator, block.shape, (along, across, across))
        for axis in (1, 2):
            smooth = ndimage.uniform_filter1d(grain, 7, axis=axis, mode="wrap")
            grain -= np.float32(0.5) * smooth
        block += grain * np.float32(look.grain_hu / float(grain.std()))
