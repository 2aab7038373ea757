"""A scene's spine: vertebrae and sacrum stacked along the curve, turned as the patient lies."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ..levels import Frame, LevelShape, Vector, axes_of
from ..vertebra import Vertebra
from .sacrum import Sacrum

if TYPE_CHECKING:
    from .scene import Anatomy, Scanner

Bony: TypeAlias = Vertebra | Sacrum


def upright_frames(shapes: tuple[LevelShape, ...]) -> dict[str, Frame]:
    """Return each level's frame before the patient lies down; the middle level at the origin."""
    axes = [axes_of(shape) for shape in shapes]
    origins = [np.zeros(3)]
    for (upper, above), (lower, below) in itertools.pairwise(zip(shapes, axes, strict=True)):
        # Half of each body along its own axis, the disc along their mean.
        mean = above[:, 2] + below[:, 2]
        disc = upper.disc_below_mm * mean / np.linalg.norm(mean)
        half = (upper.height_mm * above[:, 2] + lower.height_mm * below[:, 2]) / 2
        origins.append(origins[-1] - half - disc)
    middle = (np.min(origins, axis=0) + np.max(origins, axis=0)) / 2
    return {
        shape.level: Frame(origin - middle, turned)
        for shape, origin, turned in zip(shapes, origins, axes, strict=True)
    }


def about(axis: int, degrees: float) -> Vector:
    """Return the right-handed rotation about x (0), y (1) or z (2), shape (3, 3)."""
    angle = np.radians(degrees)
    turn = np.eye(3)
    first, second = ((1, 2), (2, 0), (0, 1))[axis]
    turn[first, first] = turn[second, second] = np.cos(angle)
    turn[first, second], turn[second, first] = -np.sin(angle), np.sin(angle)
    return turn


def slices_in_patient(scanner: Scanner) -> Vector:
    """Return the grid's x, y and z directions in LPS as columns, before any flip."""
    return np.asarray(about(0, scanner.tilt_deg) @ about(1, scanner.swing_deg))


def moved(frames: dict[str, Frame], turn: Vector, shift: Vector) -> dict[str, Frame]:
    """Return the frames turned about the origin, then shifted."""
    return {
        level: Frame(turn @ frame.origin + shift, turn @ frame.axes)
        for level, frame in frames.items()
    }


def bones_of(anatomy: Anatomy, frames: dict[str, Frame]) -> dict[str, Bony]:
    """Return the bones by level, cranial first."""
    bones: dict[str, Bony] = {}
    for shape in anatomy.shapes:
        kind = Sacrum if shape.level == "S1" else Vertebra
        bones[shape.level] = kind(shape, frames[shape.level])
    return bones
