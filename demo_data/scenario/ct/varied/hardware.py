"""A scene's metal beside the screws: rods, heads, cross-links, second rods, cages."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..levels import Frame
from ..metal import Part, Rounded, Shank, Tulip
from ..solids import PAD_MM, Coordinates, Field

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..levels import Vector
    from ..placement import PlacedScrew
    from .scene import Cage, Hardware, Scene, SceneScrew
    from .spine import Bony

Placed = tuple["SceneScrew", "PlacedScrew"]
_BALL_BEHIND_MM = 5.5
_NECK_RADIUS_MM = 2.6
_ROD_BEHIND_BALL_MM = 6.0
_OVERHANG_MM = 8.0
_SECOND_ROD_APART_MM = 8.0
_PEEK_HU = 210.0
_MARKER_HU = 9000.0


@dataclass(frozen=True)
class Block:
    """A box with rounded edges, its `half_mm` along its own axes; `wall_mm` makes it hollow."""

    frame: Frame
    half_mm: tuple[float, float, float]
    round_mm: float = 1.2
    wall_mm: float = 0.0

    def distance(self, at: Coordinates) -> Field:
        """Return signed distances in millimetres."""
        offsets = [np.abs(at.along(self.frame.axes[:, k], self.frame.origin)) for k in range(3)]
        outer = self._box(offsets, self.half_mm)
        if not self.wall_mm:
            return outer
        # Open from endplate to endplate, as cages are for the graft.
        left, back, up = (half - self.wall_mm for half in self.half_mm)
        hole = self._box(offsets, (left, back, up + 2 * self.wall_mm + 9.0))
        return np.maximum(outer, -hole)

    def _box(self, offsets: list[Field], half_mm: tuple[float, float, float]) -> Field:
        beyond = [
            offset - np.float32(half - self.round_mm)
            for offset, half in zip(offsets, half_mm, strict=True)
        ]
        out = np.sqrt(sum(np.square(np.maximum(part, 0)) for part in beyond))
        deepest = np.maximum(np.maximum(beyond[0], beyond[1]), beyond[2])
        return np.asarray(out + np.minimum(deepest, 0) - np.float32(self.round_mm))

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a padded box."""
        reach = np.abs(self.frame.axes) @ np.array(self.half_mm) + PAD_MM
        return self.frame.origin - reach, self.frame.origin + reach


def metal_of(scene: Scene, placed: tuple[Placed, ...], bones: dict[str, Bony]) -> Iterator[Part]:
    """Yield every metal part with its Hounsfield value, shanks first."""
    metal = scene.hardware
    drawn = [pair for pair in placed if pair[0].is_drawn]
    for _, screw in drawn:
        shank = Shank(
            screw.entry,
            screw.tip,
            screw.plan.diameter_mm / 2,
            metal.thread_pitch_mm,
            metal.thread_depth_mm,
            metal.taper_mm,
        )
        yield shank, metal.shank_hu
        yield (
            Rounded(_ball(screw), screw.entry + 0.5 * screw.forward, _NECK_RADIUS_MM),
            metal.shank_hu,
        )
    rods = {}
    for side in ("L", "R"):
        on_rod = [
            screw
            for wanted, screw in drawn
            if screw.plan.side == side and wanted.has_head and wanted.on_rod
        ]
        rod = Rod.through(on_rod) if metal.has_rods and len(on_rod) > 1 else None
        if rod:
            rods[side] = rod
            yield from rod.parts(metal)
        yield from _heads(on_rod, rod, metal)
    loose = [screw for wanted, screw in drawn if wanted.has_head and not wanted.on_rod]
    yield from _heads(loose, None, metal)
    yield from _joined(rods, metal)
    for cage in metal.cages:
        yield from _cage(cage, bones, metal)


def _ball(screw: PlacedScrew) -> Vector:
    return np.asarray(screw.entry - _BALL_BEHIND_MM * screw.forward)


def _heads(screws: list[PlacedScrew], rod: Rod | None, metal: Hardware) -> Iterator[Part]:
    for screw in screws:
        ball = _ball(screw)
        if rod is None:
            along = np.cross(screw.forward, (1.0, 0.0, 0.0))
            along /= np.linalg.norm(along)
            yield Tulip(ball, -screw.forward, along, _ROD_BEHIND_BALL_MM), metal.head_hu
            continue
        fine = rod.fine
        nearest = int(((fine - ball) ** 2).sum(axis=1).argmin())
        nearest = min(max(nearest, 1), len(fine) - 2)
        towards = fine[nearest] - ball
        height = float(np.linalg.norm(towards))
        along = fine[nearest + 1] - fine[nearest - 1]
        along /= np.linalg.norm(along)
        yield Tulip(ball, towards / height, along, height), metal.head_hu


@dataclass(frozen=True)
class Rod:
    """A rod as points along its middle, cranial last; `fine` has shape (n, 3)."""

    fine: Vector

    @classmethod
    def through(cls, screws: list[PlacedScrew]) -> Rod:
        """Return a rod bent to a smooth curve that every head can reach."""
        wanted = np.array([_ball(s) - _ROD_BEHIND_BALL_MM * s.forward for s in screws])
        order = np.argsort(wanted[:, 2])
        wanted = wanted[order]
        degree = min(len(screws) - 1, 3 + len(screws) // 6)
        height = wanted[:, 2]
        curves = [np.polynomial.Polynomial.fit(height, wanted[:, k], degree) for k in (0, 1)]
        # A head cannot sink into bone: the rod lies behind the foremost one that it must clear.
        clear = max(0.0, float((wanted[:, 1] - curves[1](height)).max()) - 1.0)
        z = np.linspace(height[0], height[-1], 400)
        middle = np.stack([curves[0](z), curves[1](z) + clear, z], axis=-1)
        # Beyond the last heads it runs on straight.
        ends = []
        for first, second in ((0, 8), (-1, -9)):
            out = middle[first] - middle[second]
            steps = np.linspace(_OVERHANG_MM, 0.5, 10)[:, np.newaxis]
            ends.append(middle[first] + steps * out / np.linalg.norm(out))
        return cls(np.concatenate([ends[0], middle, ends[1][::-1]]))

    def parts(self, metal: Hardware) -> Iterator[Part]:
        """Yield the rod as short bars."""
        count = max(6, int(np.ptp(self.fine[:, 2]) / 9))
        coarse = self.fine[np.linspace(0, len(self.fine) - 1, count).astype(int)]
        for start, end in itertools.pairwise(coarse):
            yield Rounded(start, end, metal.rod_radius_mm), metal.rod_hu

    def at(self, share: float) -> Vector:
        """Return the point at a share of the rod's length, 0 caudal, 1 cranial."""
        return np.asarray(self.fine[round(share * (len(self.fine) - 1))])

    def beside(self, sideways_mm: float) -> Rod:
        """Return the rod that runs beside this one over the middle of its length."""
        first, last = int(len(self.fine) * 0.15), int(len(self.fine) * 0.85)
        return Rod(self.fine[first:last] + np.array([sideways_mm, 2.0, 0.0]))


def _joined(rods: dict[str, Rod], metal: Hardware) -> Iterator[Part]:
    """Yield second rods with their connectors, and cross-links from side to side."""
    for side in metal.second_rods:
        if side in rods:
            outwards = _SECOND_ROD_APART_MM * (1.0 if side == "L" else -1.0)
            second = rods[side].beside(outwards)
            yield from second.parts(metal)
            for share in (0.06, 0.94):
                point = second.at(share)
                yield _connector(point, rods[side], metal)
    if set(rods) == {"L", "R"}:
        low, high = (pick([rods[s].at(end)[2] for s in "LR"]) for end, pick in ((0, max), (1, min)))
        for share in metal.cross_links:
            z = low + share * (high - low)
            ends = [rod.fine[np.abs(rod.fine[:, 2] - z).argmin()] for rod in rods.values()]
            behind = np.array([0.0, 3.5, 0.0])
            yield Rounded(ends[0] + behind, ends[1] + behind, 2.2), metal.rod_hu
            for end in ends:
                yield Block(Frame(end + behind / 2, np.eye(3)), (4.2, 4.8, 4.5)), metal.head_hu


def _connector(point: Vector, rod: Rod, metal: Hardware) -> Part:
    other = rod.fine[((rod.fine - point) ** 2).sum(axis=1).argmin()]
    across = (point - other) / np.linalg.norm(point - other)
    up = np.array([0.0, 0.0, 1.0]) - across[2] * across
    up /= np.linalg.norm(up)
    axes = np.stack([across, np.cross(up, across), up], axis=1)
    half = float(np.linalg.norm(point - other)) / 2 + 4.2
    return Block(Frame((point + other) / 2, axes), (half, 4.4, 6.0)), metal.head_hu


def _cage(cage: Cage, bones: dict[str, Bony], metal: Hardware) -> Iterator[Part]:
    """Yield a cage in the disc below its level."""
    levels = list(bones)
    above, below = bones[cage.level], bones[levels[levels.index(cage.level) + 1]]
    top = above.frame.to_patient((0.0, 0.0, -above.shape.height_mm / 2))
    floor = below.frame.to_patient((0.0, 0.0, below.shape.height_mm / 2))
    axes = above.frame.axes + below.frame.axes
    axes, _ = np.linalg.qr(axes)
    axes = axes * np.sign((axes * above.frame.axes).sum(axis=0))
    offset = axes @ np.array([cage.left_mm, cage.back_mm, 0.0])
    frame = Frame((top + floor) / 2 + offset, axes)
    tall = (float(np.linalg.norm(top - floor)) + 2.0) / 2
    half = (cage.wide_mm / 2, cage.deep_mm / 2, tall)
    if cage.is_titanium:
        yield Block(frame, half, wall_mm=1.6), metal.shank_hu
        return
    yield Block(frame, half, wall_mm=2.5), _PEEK_HU
    for left, back in ((-0.85, 0.0), (0.85, 0.7), (0.85, -0.7)):
        pin = [
            frame.to_patient((left * half[0], back * half[1], up * (tall - 1.0)))
            for up in (-1.0, 1.0)
        ]
        yield Rounded(pin[0], pin[1], 0.45), _MARKER_HU
