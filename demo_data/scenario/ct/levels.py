"""The invented patient's vertebrae: their sizes, and where each one stands in LPS coordinates.

Sizes are invented and chosen to be plausible for an adult; they are no published table.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]
SIDE_SIGN = {"L": 1.0, "R": -1.0}


@dataclass(frozen=True)
class LevelShape:
    """One vertebra's sizes; millimetres and degrees.

    `tilt_deg` is positive where the vertebra's upper end leans forwards, `turn_deg` where its
    front turns to the patient's left, `lean_deg` where its upper end leans to the patient's left.
    Pedicle widths and heights are outer ones at the isthmus; `right_pedicle` (width, height,
    convergence) differs from the left one where it is given. `pedicle_rise_deg` is positive where
    a pedicle's front end stands higher, `scale` sizes the processes, `facet_scale` the joints
    alone, `wedge_deg` is how far the upper endplate falls forwards against the lower one, `waist`
    how much narrower the body's middle is, as a share. `is_decompressed` has lost its spinous
    process and the laminae's inner parts to the surgeon.
    """

    level: str
    half_width_mm: float
    half_depth_mm: float
    height_mm: float
    disc_below_mm: float
    tilt_deg: float
    turn_deg: float
    canal_width_mm: float
    canal_depth_mm: float
    pedicle_width_mm: float
    pedicle_height_mm: float
    pedicle_convergence_deg: float
    lean_deg: float = 0.0
    pedicle_rise_deg: float = 0.0
    right_pedicle: tuple[float, float, float] | None = None
    scale: float = 1.0
    facet_scale: float = 1.0
    spinous_drop_mm: float = 0.0
    rib_rise_mm: float = 0.0
    wedge_deg: float = 0.0
    waist: float = 0.08
    is_decompressed: bool = False

    def pedicle(self, side: str) -> tuple[float, float, float]:
        """Return the width, height and convergence of the pedicle on the patient's L or R."""
        if side == "R" and self.right_pedicle is not None:
            return self.right_pedicle
        return self.pedicle_width_mm, self.pedicle_height_mm, self.pedicle_convergence_deg

    @property
    def is_thoracic(self) -> bool:
        """Whether the vertebra bears ribs."""
        return self.level.startswith("T")

    @property
    def pedicle_up_mm(self) -> float:
        """Height of the pedicle's middle above the middle of the body."""
        return self.height_mm / 2 - self.pedicle_height_mm / 2 - 2.0


LEVELS = (
    LevelShape("T10", 17.0, 15.0, 23.0, 5.0, -9.0, 0.5, 17.0, 15.5, 7.4, 15.6, 5.0),
    LevelShape("T11", 18.5, 15.5, 23.5, 5.5, -12.0, 0.8, 17.5, 16.0, 8.8, 16.6, 4.0),
    LevelShape("T12", 20.5, 16.0, 25.0, 6.0, -13.0, 1.2, 19.5, 17.0, 9.0, 16.4, 4.0),
    LevelShape("L1", 21.5, 16.5, 26.0, 7.5, -11.0, 1.6, 21.5, 17.0, 8.9, 15.8, 7.0),
    LevelShape("L2", 22.5, 17.0, 27.0, 9.0, -6.0, 1.8, 22.0, 16.5, 9.4, 15.4, 9.0),
    LevelShape("L3", 23.5, 17.3, 27.5, 10.0, 0.0, 1.2, 22.5, 16.5, 10.8, 15.0, 12.0),
    LevelShape("L4", 25.0, 17.5, 27.5, 11.0, 9.0, 0.4, 23.5, 16.5, 12.8, 14.8, 16.0),
    LevelShape("L5", 26.0, 17.5, 27.0, 10.0, 22.0, -0.4, 26.0, 17.0, 15.0, 14.0, 24.0),
)
_ORIGIN_LEVEL = "L3"
# The column leans a little sideways, as most do; degrees against the long axis.
_SIDEWAYS_DEG = 1.0


@dataclass(frozen=True)
class Frame:
    """A vertebra's own axes: columns of `axes` point to its left, its back and its upper end."""

    origin: Vector
    axes: Vector

    def to_patient(self, local: npt.ArrayLike) -> Vector:
        """Return LPS coordinates of points given in the vertebra's own, shape (..., 3)."""
        return np.asarray(local, dtype=np.float64) @ self.axes.T + self.origin

    def turned(self, local: npt.ArrayLike) -> Vector:
        """Return directions given in the vertebra's own axes in LPS, shape (..., 3)."""
        return np.asarray(local, dtype=np.float64) @ self.axes.T


def axes_of(shape: LevelShape) -> Vector:
    """Return a vertebra's axes as columns: to its left, its back and its upper end."""
    tilt, turn = np.radians(shape.tilt_deg), np.radians(shape.turn_deg)
    tilted = np.array(
        [
            [1.0, 0.0, 0.0],
            [0.0, np.cos(tilt), -np.sin(tilt)],
            [0.0, np.sin(tilt), np.cos(tilt)],
        ]
    )
    turned = np.array(
        [[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]]
    )
    if not shape.lean_deg:
        return np.asarray(tilted @ turned)
    lean = np.radians(shape.lean_deg)
    leaned = np.array(
        [[np.cos(lean), 0.0, np.sin(lean)], [0.0, 1.0, 0.0], [-np.sin(lean), 0.0, np.cos(lean)]]
    )
    return np.asarray(leaned @ tilted @ turned)


def spine_frames() -> dict[str, Frame]:
    """Return each level's frame: bodies stacked along the curve, L3's middle at the origin."""
    origins = [np.zeros(3)]
    for upper, lower in itertools.pairwise(LEVELS):
        pitch_mm = upper.height_mm / 2 + upper.disc_below_mm + lower.height_mm / 2
        lean = np.radians((upper.tilt_deg + lower.tilt_deg) / 2)
        sideways = np.sin(np.radians(_SIDEWAYS_DEG))
        step = np.array([sideways, np.sin(lean), -np.cos(lean)])
        origins.append(origins[-1] + pitch_mm * step)
    middle = origins[[shape.level for shape in LEVELS].index(_ORIGIN_LEVEL)]
    return {
        shape.level: Frame(origin - middle, axes_of(shape))
        for shape, origin in zip(LEVELS, origins, strict=True)
    }


def shape_of(level: str) -> LevelShape:
    """Return the sizes of one level."""
    return next(shape for shape in LEVELS if shape.level == level)
