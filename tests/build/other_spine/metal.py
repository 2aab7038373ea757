"""Screws with threads and tulip heads, and the rods between them, as filled shares of points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

THREAD_PITCH_MM = 2.75
THREAD_DEPTH_MM = 0.8
HEAD_RADIUS_MM = 6.3
HEAD_LENGTH_MM = 14.0
SLOT_HALF_MM = 3.0
ROD_RADIUS_MM = 2.75


def _along(points, begin, end):
    direction = (end - begin) / np.linalg.norm(end - begin)
    offset = points - begin
    s = offset @ direction
    beside = offset - s[:, None] * direction
    return s, beside, direction


def shank_field(points, shank):
    """Return mm outside a threaded shank with a pointed end; negative inside."""
    s, beside, d = _along(points, shank.entry, shank.tip)
    radius = np.sqrt(np.einsum("ij,ij->i", beside, beside))
    side = np.cross(d, [0.0, 0.0, 1.0])
    turn = np.arctan2(beside @ np.cross(d, side), beside @ side) / (2 * np.pi)
    phase = (s / THREAD_PITCH_MM - turn) % 1.0
    groove = np.clip(1.6 * np.abs(2.0 * phase - 1.0) - 0.3, 0.0, 1.0)
    outer = shank.radius_mm - THREAD_DEPTH_MM * groove * (s > 3.0)
    taper = np.clip((shank.length_mm - s) / (1.3 * shank.radius_mm), 0.0, 1.0)
    return np.maximum(radius - outer * np.sqrt(taper), np.maximum(-0.5 - s, s - shank.length_mm))


@dataclass(frozen=True)
class Head:
    """A tulip on a shank's entry, turned so that its slot holds the rod."""

    seat: np.ndarray
    up: np.ndarray
    rod_way: np.ndarray

    @property
    def saddle(self) -> np.ndarray:
        return self.seat + 7.0 * self.up

    def field(self, points):
        offset = points - self.seat
        s = offset @ self.up
        beside = offset - s[:, None] * self.up
        radius = np.sqrt(np.einsum("ij,ij->i", beside, beside))
        cup = np.maximum(radius - HEAD_RADIUS_MM, np.maximum(-s, s - HEAD_LENGTH_MM))
        across = np.abs(offset @ np.cross(self.up, self.rod_way))
        slot = np.maximum(across - SLOT_HALF_MM, 4.0 - s)
        nut = np.maximum(radius - 4.6, np.maximum(9.8 - s, s - HEAD_LENGTH_MM))
        return np.minimum(np.maximum(cup, -slot), nut)


@dataclass(frozen=True)
class Rod:
    """A round bar through points of a smooth line; ends stand over by some millimetres."""

    line: np.ndarray

    def field(self, points):
        low, high = self.line.min(axis=0) - 5.0, self.line.max(axis=0) + 5.0
        field = np.full(len(points), 10.0)
        near = np.flatnonzero(((points > low) & (points < high)).all(axis=1))
        if len(near):
            some = points[near]
            best = np.full(len(near), np.inf)
            for begin, end in zip(self.line[:-1], self.line[1:], strict=True):
                step = end - begin
                share = np.clip((some - begin) @ step / (step @ step), 0.0, 1.0)
                best = np.minimum(best, ((some - begin - share[:, None] * step) ** 2).sum(axis=1))
            field[near] = np.sqrt(best) - ROD_RADIUS_MM
        return field


@dataclass(frozen=True)
class Cage:
    """A hollow box between two bodies; `turn` holds its own directions as columns."""

    place: np.ndarray
    turn: np.ndarray
    half: np.ndarray

    def field(self, points):
        own = np.abs((points - self.place) @ self.turn)
        shell = (own - self.half).max(axis=1)
        hollow = (own - self.half + [1.6, 2.2, -2.0]).max(axis=1)
        return np.maximum(shell, -hollow)


def cage_above(member, height_mm: float, side: float) -> Cage:
    """Return a cage on a member's upper endplate, a little to one side and turned."""
    turn = np.deg2rad(25.0) * side
    about = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    size = member.bone.sizes
    place = member.to_patient([4.0 * side, -1.0, size.height / 2.0 + height_mm / 2.0])
    half = np.array([4.8, min(12.0, 0.36 * size.depth), height_mm / 2.0 + 0.6])
    return Cage(place, member.turn @ about, half)


@dataclass(frozen=True)
class Hardware:
    """Everything of metal, and the alloy of the screws and of the rods; cages are as screws."""

    shanks: tuple
    heads: tuple[Head, ...]
    rods: tuple[Rod, ...]
    cages: tuple[Cage, ...]
    alloy: str
    rod_alloy: str

    def boxes(self):
        """Return (lowest, highest, field, alloy) of every piece, LPS mm."""
        found = []
        for shank in self.shanks:
            ends = np.stack([shank.entry, shank.tip])
            grow = shank.radius_mm + 1.0
            found.append((ends.min(0) - grow, ends.max(0) + grow, _bound(shank), self.alloy))
        for head in self.heads:
            ends = np.stack([head.seat, head.seat + HEAD_LENGTH_MM * head.up])
            found.append((ends.min(0) - 8.0, ends.max(0) + 8.0, head.field, self.alloy))
        for rod in self.rods:
            for at in range(0, len(rod.line) - 1, 4):
                part = Rod(rod.line[at : at + 5])
                low, high = part.line.min(0) - 4.0, part.line.max(0) + 4.0
                found.append((low, high, part.field, self.rod_alloy))
        found += [(c.place - 17.0, c.place + 17.0, c.field, self.alloy) for c in self.cages]
        return found


def _bound(shank):
    return lambda points: shank_field(points, shank)


def assemble(shanks, cages, options) -> Hardware:
    """Return heads for the shanks and, where a side has two or more, a rod through them."""
    heads, bars = [], []
    for side in ("L", "R"):
        row = sorted((s for s in shanks if s.side == side), key=lambda s: -s.entry[2])
        ways = _ways(row)
        row_heads = []
        for shank, way in zip(row, ways, strict=True):
            up = -shank.direction - (-shank.direction @ way) * way
            # A tulip leans on its ball up to about 25 degrees, so it keeps part of its shank's way.
            up = up / np.linalg.norm(up)
            row_heads.append(Head(shank.entry, up, way))
        heads += row_heads
        if options.rods and len(row_heads) > 1:
            bars.append(_rod(row_heads))
    if options.cross_link and len(bars) == 2:
        one, two = (bar.line[len(bar.line) // 2] + [0.0, 2.5, 0.0] for bar in bars)
        bars.append(Rod(np.stack([one, two])))
    return Hardware(
        tuple(shanks),
        tuple(heads),
        tuple(bars),
        tuple(cages),
        options.alloy,
        options.rod_alloy or options.alloy,
    )


def _ways(row):
    if len(row) < 2:
        return [np.array([0.0, 0.0, 1.0]) for _ in row]
    seats = np.stack([shank.entry for shank in row])
    ways = np.gradient(seats, axis=0)
    return list(ways / np.linalg.norm(ways, axis=1, keepdims=True))


def _rod(heads) -> Rod:
    knots = np.stack([head.saddle for head in heads])
    lengths = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1)))
    kind = "natural" if len(knots) > 2 else "not-a-knot"
    line = CubicSpline(lengths, knots, bc_type=kind)
    inner = line(np.linspace(0.0, lengths[-1], 12 * (len(knots) - 1) + 1))
    over = 7.0
    first = inner[0] + over * _unit(inner[0] - inner[1])
    last = inner[-1] + over * _unit(inner[-1] - inner[-2])
    return Rod(np.vstack([first, inner, last]))


def _unit(vector):
    return vector / np.linalg.norm(vector)
