"""The construct's metal: shanks, heads and rods as signed distances, and the streaks they cast."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .solids import FAR_MM, PAD_MM, Coordinates, Field, Grid, Solid

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from .levels import Vector
    from .placement import PlacedScrew

SHANK_HU, HEAD_HU, ROD_HU = 3400.0, 5200.0, 6800.0
_TIP_RADIUS_MM = 1.2
_BALL_BEHIND_ENTRY_MM = 5.5
_BALL_RADIUS_MM = 4.2
_NECK_RADIUS_MM = 2.7
_ROD_RADIUS_MM = 2.75
_ROD_BEHIND_BALL_MM = 6.0
_ROD_OVERHANG_MM = 9.0
_TULIP_RADIUS_MM = 6.2
_SET_SCREW_RADIUS_MM = 4.6
_SIDES = ("L", "R")


@dataclass(frozen=True)
class Shank:
    """A threaded shank whose thread's crest has the catalogued radius, tapered to its tip."""

    entry: Vector
    tip: Vector
    radius_mm: float
    pitch_mm: float = 2.8
    thread_mm: float = 0.5
    taper_mm: float = 7.0

    def distance(self, at: Coordinates) -> Field:
        """Return signed distances in millimetres."""
        length = float(np.linalg.norm(self.tip - self.entry))
        forward = (self.tip - self.entry) / length
        aside = np.cross(forward, (1.0, 0.0, 0.0))
        aside /= np.linalg.norm(aside)
        along = at.along(forward, self.entry)
        first = at.along(aside, self.entry)
        second = at.along(np.cross(forward, aside), self.entry)
        radial = np.hypot(first, second)
        turn = np.arctan2(second, first) + along * np.float32(2 * np.pi / self.pitch_mm)
        crest = self.radius_mm - np.float32(self.thread_mm / 2) * (1 - np.cos(turn))
        to_tip = length - np.float32(_TIP_RADIUS_MM) - along
        share = np.clip(to_tip / np.float32(self.taper_mm), 0, 1)
        radius = _TIP_RADIUS_MM + (crest - _TIP_RADIUS_MM) * np.sqrt(share)
        beyond = np.maximum(-to_tip, 0)
        before = np.maximum(-along, 0)
        return np.asarray(np.sqrt(radial**2 + beyond**2 + before**2) - radius, dtype=np.float32)

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a padded box."""
        reach = self.radius_mm + PAD_MM
        return np.minimum(self.entry, self.tip) - reach, np.maximum(self.entry, self.tip) + reach


@dataclass(frozen=True)
class Rounded:
    """A straight round bar with hemispherical ends."""

    start: Vector
    end: Vector
    radius_mm: float

    def distance(self, at: Coordinates) -> Field:
        """Return signed distances in millimetres."""
        along = self.end - self.start
        length = float(np.linalg.norm(along))
        axis = along / max(length, 1e-6)
        travel = at.along(axis, self.start)
        over = travel - np.clip(travel, 0, np.float32(length))
        aside = np.cross(axis, (1.0, 0.0, 0.0))
        aside /= np.linalg.norm(aside)
        first = at.along(aside, self.start)
        second = at.along(np.cross(axis, aside), self.start)
        squared = first**2 + second**2 + over**2
        return np.asarray(np.sqrt(squared) - np.float32(self.radius_mm), dtype=np.float32)

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a padded box."""
        reach = self.radius_mm + PAD_MM
        return np.minimum(self.start, self.end) - reach, np.maximum(self.start, self.end) + reach


@dataclass(frozen=True)
class Tulip:
    """A polyaxial head: a cup with a slot for the rod, and its set screw; `up` points backwards."""

    ball: Vector
    up: Vector
    rod_along: Vector
    rod_height_mm: float

    def distance(self, at: Coordinates) -> Field:
        """Return signed distances in millimetres."""
        height = at.along(self.up, self.ball)
        aside = np.cross(self.up, self.rod_along)
        across = at.along(aside / np.linalg.norm(aside), self.ball)
        lengthwise = at.along(self.rod_along, self.ball)
        radial = np.hypot(across, lengthwise)
        top = np.float32(self.rod_height_mm + 7.5)
        # Flats on the two sides that face along the rod, as the instruments need.
        cup = np.maximum(radial - _TULIP_RADIUS_MM, np.abs(lengthwise) - np.float32(5.2))
        cup = np.maximum(cup, np.maximum(height - top, np.float32(-3.5) - height))
        floor = np.float32(self.rod_height_mm - _ROD_RADIUS_MM)
        slot = np.maximum(np.abs(across) - np.float32(2.9), floor - height)
        cup = np.maximum(cup, -slot)
        middle = np.float32(self.rod_height_mm + 5.0)
        plug = np.maximum(radial - _SET_SCREW_RADIUS_MM, np.abs(height - middle) - 2.2)
        ball = np.sqrt(radial**2 + height**2) - _BALL_RADIUS_MM
        return np.asarray(np.minimum(np.minimum(cup, plug), ball), dtype=np.float32)

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a padded box."""
        middle = self.ball + self.up * self.rod_height_mm / 2
        reach = np.full(3, self.rod_height_mm / 2 + 8.0 + _TULIP_RADIUS_MM)
        return middle - reach, middle + reach


Part = tuple[Solid, float]


def construct_parts(screws: tuple[PlacedScrew, ...]) -> Iterator[Part]:
    """Yield every metal part with its Hounsfield value, shanks first."""
    for screw in screws:
        ball = _ball(screw)
        yield Shank(screw.entry, screw.tip, screw.plan.diameter_mm / 2), SHANK_HU
        yield Rounded(ball, screw.entry + 0.5 * screw.forward, _NECK_RADIUS_MM), SHANK_HU
    for side in _SIDES:
        on_side = [screw for screw in screws if screw.plan.side == side]
        if on_side:
            yield from _rod_with_heads(on_side)


def _ball(screw: PlacedScrew) -> Vector:
    return np.asarray(screw.entry - _BALL_BEHIND_ENTRY_MM * screw.forward)


def _rod_with_heads(screws: list[PlacedScrew]) -> Iterator[Part]:
    """Yield a rod bent to a smooth curve, and the heads turned on their balls to reach it."""
    balls = np.array([_ball(screw) for screw in screws])
    wanted = balls - _ROD_BEHIND_BALL_MM * np.array([screw.forward for screw in screws])
    degree = min(3, len(screws) - 1)
    curves = [np.polynomial.Polynomial.fit(wanted[:, 2], wanted[:, k], degree) for k in (0, 1)]
    # A head cannot sink into bone: the rod lies behind the foremost one that it must clear.
    clear = max(0.0, float((wanted[:, 1] - curves[1](wanted[:, 2])).max()) - 1.0)

    def rod_at(z: Vector) -> Vector:
        return np.stack([curves[0](z), curves[1](z) + clear, z], axis=-1)

    low, high = wanted[:, 2].min() - _ROD_OVERHANG_MM, wanted[:, 2].max() + _ROD_OVERHANG_MM
    fine = rod_at(np.linspace(low, high, 400))
    for ball in balls:
        nearest = int(((fine - ball) ** 2).sum(axis=1).argmin())
        nearest = min(max(nearest, 1), len(fine) - 2)
        towards = fine[nearest] - ball
        height = float(np.linalg.norm(towards))
        along = fine[nearest + 1] - fine[nearest - 1]
        yield Tulip(ball, towards / height, along / np.linalg.norm(along), height), HEAD_HU
    coarse = rod_at(np.linspace(low, high, 28))
    for start, end in itertools.pairwise(coarse):
        yield Rounded(start, end, _ROD_RADIUS_MM), ROD_HU


def metal_on(grid: Grid, parts: Iterable[Part]) -> tuple[Field, Field]:
    """Return the distance to the nearest metal and that metal's Hounsfield value, (k, j, i)."""
    distance = np.full(grid.shape, FAR_MM, dtype=np.float32)
    value = np.full(grid.shape, SHANK_HU, dtype=np.float32)
    for part, hounsfield in parts:
        box = grid.box(*part.corners())
        here = distance[box]
        if here.size == 0:
            continue
        found = part.distance(grid.part(box).coordinates())
        nearer = found < here
        here[nearer] = found[nearer]
        value[box][nearer] = hounsfield
    return distance, value
