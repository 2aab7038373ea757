"""Bone on the scanner's grid: every bone's distance, then cortex, marrow and its grain."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt
from scipy import special

from .solids import FAR_MM, Beam, Box, Field, Grid, union_on
from .spread import texture

if TYPE_CHECKING:
    from collections.abc import Iterable

    from .levels import Vector
    from .vertebra import VertebraFields

_JOINT_MM = 1.7
_RIB_JOINT_MM = 2.2
_BODY, _PEDICLE, _ARCH, _RIB = range(4)
TABLE_REACH_MM = 2.0
_TABLE_MM = np.arange(-TABLE_REACH_MM, TABLE_REACH_MM + 0.001, 0.01)


Regions = tuple[float, float, float, float]


@dataclass(frozen=True)
class BoneLook:
    """How bone shows, in turn in body, pedicle, arch and rib.

    Cortex thickness in millimetres, cortex and marrow in Hounsfield units, and how strongly the
    trabeculae show; `grain_step` stretches their grain along slices' normal and in plane.
    """

    cortex_mm: Regions = (0.75, 1.65, 1.5, 0.9)
    cortex_hu: Regions = (900.0, 1250.0, 1250.0, 900.0)
    marrow_hu: Regions = (185.0, 240.0, 300.0, 170.0)
    trabeculae_hu: Regions = (75.0, 85.0, 105.0, 60.0)
    grain_step: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class Edge:
    """How the scanner shows an edge: its blur in millimetres and a sharp kernel's overshoot."""

    sharpness_mm: float = 0.36
    overshoot: float = 0.0

    def coverage(self, distance: Field) -> Field:
        """Return how much of a blurred voxel lies inside a surface, from its signed distance."""
        table = _table(self)
        place = (distance + np.float32(TABLE_REACH_MM)) * np.float32(100)
        index = np.clip(place, 0, len(table) - 1)
        return np.asarray(table[index.astype(np.int32)])


@lru_cache(maxsize=8)
def _table(edge: Edge) -> Field:
    table = special.ndtr(-_TABLE_MM / edge.sharpness_mm)
    if edge.overshoot:
        wide = special.ndtr(-_TABLE_MM / (1.8 * edge.sharpness_mm))
        table = table + edge.overshoot * (table - wide)
    return np.asarray(table, dtype=np.float32)


class Bone(Protocol):
    """A vertebra or a sacrum: one bone with its own outer surface and the bones that join it."""

    @property
    def ribs(self) -> tuple[tuple[Beam, ...], ...]:
        """The ribs, or at the sacrum the iliac bones, each as a chain of bars."""
        ...

    def fields(self, grid: Grid) -> VertebraFields:
        """Return the distances on a grid."""
        ...

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a box round the whole bone."""
        ...


@dataclass(frozen=True)
class BoneMap:
    """Distance to the nearest bone's outer surface and which region it belongs to, (k, j, i)."""

    distance: Field
    region: npt.NDArray[np.uint8]


def bone_map(grid: Grid, bones: Iterable[Bone]) -> BoneMap:
    """Return the distance to the nearest bone; joints stay free between one bone and the next."""
    bones = tuple(bones)
    bone = BoneMap(
        np.full(grid.shape, FAR_MM, dtype=np.float32), np.zeros(grid.shape, dtype=np.uint8)
    )
    for vertebra in bones:
        box = grid.box(*vertebra.corners())
        part = grid.part(box)
        if 0 in part.shape:
            continue
        fields = vertebra.fields(part)
        kind = np.where(fields.pedicles < fields.body, np.uint8(_PEDICLE), np.uint8(_BODY))
        kind[fields.arch < np.minimum(fields.pedicles, fields.body)] = _ARCH
        _lay_beside(bone, box, fields.outer, kind, _JOINT_MM)
    for ribs in (rib for vertebra in bones for rib in vertebra.ribs):
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


def add_bone(
    volume: Field, bone: BoneMap, generator: np.random.Generator, look: BoneLook, edge: Edge
) -> None:
    """Lay cortex and marrow over the soft tissue, with the trabecular grain of each region."""
    tile = (48, 288, 288)
    high, wide = look.grain_step
    grain = texture(generator, tile, (0.9 * high, 0.75 * wide, 0.75 * wide)) - 0.55 * texture(
        generator, tile, (2.0 * high, 2.2 * wide, 2.2 * wide)
    )
    cortex_mm, cortex_hu, marrow_hu, trabeculae_hu = (
        np.array(values, dtype=np.float32)
        for values in (look.cortex_mm, look.cortex_hu, look.marrow_hu, look.trabeculae_hu)
    )
    patches = texture(generator, tile, (4.0 * high, 6.0 * wide, 6.0 * wide))
    for k in range(volume.shape[0]):
        distance = bone.distance[k]
        rows, columns = np.nonzero(distance < 1.2)  # noqa: PLR2004 - beyond it coverage is nothing
        if rows.size == 0:
            continue
        depth = distance[rows, columns]
        region = bone.region[k][rows, columns]
        inside = edge.coverage(depth)
        marrow_share = edge.coverage(depth + cortex_mm[region])
        place = (k % tile[0], rows % tile[1], columns % tile[2])
        marrow = marrow_hu[region] + trabeculae_hu[region] * grain[place] + 22 * patches[place]
        cortex = cortex_hu[region] + 45 * patches[place]
        soft = volume[k][rows, columns]
        volume[k][rows, columns] = (
            soft * (1 - inside) + cortex * (inside - marrow_share) + marrow * marrow_share
        )
