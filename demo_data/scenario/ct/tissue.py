"""The soft tissue as a volume: painted coarsely slice by slice, then spread over the grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from .levels import LEVELS, LevelShape
from .soft import Along, Tissue, along_spine, paint_slice
from .solids import Field, Grid
from .spread import COARSE_STEP, add_upsampled, texture

if TYPE_CHECKING:
    from .levels import Frame, Vector


@dataclass(frozen=True)
class SoftBody:
    """The spine that the soft tissue follows, cranial first, and how far the operation reached.

    `frames` are the vertebrae before the body is rolled by `roll_deg` about the grid's z axis;
    `graft` is how many pieces of bone graft were laid beside the arches.
    """

    frames: dict[str, Frame]
    shapes: tuple[LevelShape, ...] = LEVELS
    wound: tuple[str, str] = ("T11", "L4")
    roll_deg: float = 0.0
    graft: int = 0

    def along(self, z: float) -> Along:
        """Return what follows the spine at one height."""
        return along_spine(self.frames, z, self.shapes)


def soft_tissue(grid: Grid, body: SoftBody, generator: np.random.Generator) -> Field:
    """Return the soft tissue in Hounsfield units on a grid, (slices, rows, columns)."""
    coarse = Grid(grid.x[::COARSE_STEP], grid.y[::COARSE_STEP], grid.z[::COARSE_STEP])
    tissue = Tissue(
        texture(generator, coarse.shape, (5.0, 1.4, 1.4)),
        texture(generator, coarse.shape, (1.5, 1.6, 1.6)),
    )
    bowel = int(generator.integers(2**31))
    painted = np.stack(
        [
            paint_slice(coarse, k, body.along(float(z)), tissue, bowel, body.wound)
            for k, z in enumerate(coarse.z)
        ]
    )
    _gas_bubbles(painted, coarse, body, generator)
    if body.graft:
        _graft(painted, coarse, body, generator)
    if body.roll_deg:
        _roll(painted, coarse, body.roll_deg)
    volume = np.zeros(grid.shape, dtype=np.float32)
    add_upsampled(volume, painted, COARSE_STEP)
    return volume


def _gas_bubbles(
    painted: Field, grid: Grid, body: SoftBody, generator: np.random.Generator
) -> None:
    """Paint a few bubbles left in the wound, behind the arches."""
    first, last = (body.frames[level].origin[2] for level in body.wound)
    for _ in range(26):
        z = generator.uniform(last - 10, first + 10)
        spine = body.along(z)
        behind = spine.y + spine.half_depth + spine.canal_depth
        side = generator.choice((-1.0, 1.0))
        middle = np.array(
            [spine.x + side * generator.uniform(5, 24), behind + generator.uniform(22, 33), z]
        )
        _blob(painted, grid, middle, generator.uniform(0.9, 2.6), -780)


def _graft(painted: Field, grid: Grid, body: SoftBody, generator: np.random.Generator) -> None:
    """Paint chips of bone in both gutters, beside the joints and on the transverse processes."""
    first, last = (body.frames[level].origin[2] for level in body.wound)
    for _ in range(body.graft):
        z = generator.uniform(last, first)
        spine = body.along(z)
        side = generator.choice((-1.0, 1.0))
        out = spine.half_width + generator.uniform(2, 16)
        back = spine.y + spine.half_depth + spine.canal_depth + generator.uniform(-4, 8)
        middle = np.array([spine.x + side * out, back, z])
        _blob(painted, grid, middle, generator.uniform(1.2, 4.5), generator.uniform(250, 900))


def _blob(painted: Field, grid: Grid, middle: Vector, radius: float, hounsfield: float) -> None:
    """Paint a ball, longer along z, in place."""
    box = grid.box(middle - radius - 2, middle + radius + 2)
    here = painted[box]
    if here.size:
        at = grid.part(box).coordinates()
        away = np.sqrt(
            (at.x - middle[0]) ** 2 + (at.y - middle[1]) ** 2 + ((at.z - middle[2]) / 1.6) ** 2
        )
        here += np.clip(0.5 - (away - radius), 0, 1) * (hounsfield - here)


def _roll(painted: Field, grid: Grid, roll_deg: float) -> None:
    """Turn every slice about the grid's z axis, in place; positive brings left to the back."""
    angle = np.radians(roll_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array([-grid.y[0], -grid.x[0]]) / float(grid.x[1] - grid.x[0])
    for piece in painted:
        piece[...] = ndimage.affine_transform(
            piece, turn, middle - turn @ middle, order=1, mode="nearest"
        )
