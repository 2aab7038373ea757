"""Drawn constructs whose every screw is known by construction: a spine, screws, other metal.

Invented phantoms: sizes are plausible for an adult and are no published table.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from registry.domain.directions import Side

SOFT_HU, MARROW_HU, CORTEX_HU, AIR_HU = 50.0, 180.0, 700.0, -1000.0
TITANIUM_HU, COBALT_HU = 5500.0, 14000.0


@dataclass(frozen=True)
class Part:
    """Something drawn: its signed distance (negative inside), a ball that holds it, its HU."""

    distance: object
    middle: np.ndarray
    reach: float
    hu: float


def bar(start, end, radius, hu=TITANIUM_HU, tip_radius=None, taper=8.0) -> Part:
    """Return a round bar; with `tip_radius` its end tapers to that, else both ends are flat."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = float(np.linalg.norm(end - start))
    way = (end - start) / length

    def distance(points):
        along = (points - start) @ way
        beside = np.linalg.norm(points - start - along[..., None] * way, axis=-1)
        if tip_radius is None:
            return np.maximum(beside - radius, np.maximum(-along, along - length))
        to_tip = length - tip_radius - along
        share = np.clip(to_tip / taper, 0, 1)
        here = tip_radius + (radius - tip_radius) * np.sqrt(share)
        rounded = np.hypot(beside, np.maximum(-to_tip, 0)) - here
        return np.maximum(rounded, -along)

    return Part(distance, (start + end) / 2, length / 2 + radius + 2, hu)


def ball(middle, radius, hu=TITANIUM_HU) -> Part:
    middle = np.asarray(middle, float)
    return Part(
        lambda points: np.linalg.norm(points - middle, axis=-1) - radius, middle, radius + 2, hu
    )


def block(middle, axes, sides, hu=TITANIUM_HU, hollow=0.0) -> Part:
    """Return a box with its sides along the columns of `axes`; `hollow` opens it along the last."""
    middle, half = np.asarray(middle, float), np.asarray(sides, float) / 2

    def distance(points):
        local = np.abs((points - middle) @ axes)
        outer = (local - half).max(axis=-1)
        inner = (local[..., :2] - half[:2] * hollow).max(axis=-1)
        return np.maximum(outer, -inner) if hollow else outer

    return Part(distance, middle, float(np.linalg.norm(half)) + 2, hu)


@dataclass(frozen=True)
class Vertebra:
    """A level's middle of body and its axes: columns to its left, its back, its head."""

    level: str
    middle: np.ndarray
    axes: np.ndarray

    def at(self, left: float, back: float, up: float) -> np.ndarray:
        return self.middle + self.axes @ np.array([left, back, up])


@dataclass(frozen=True)
class Screw:
    """A drawn screw: where it belongs, its ends, and its size."""

    level: str
    side: Side
    entry: np.ndarray
    tip: np.ndarray
    diameter: float
    number: int = 1

    @property
    def way(self) -> np.ndarray:
        return (self.tip - self.entry) / np.linalg.norm(self.tip - self.entry)

    @property
    def length(self) -> float:
        return float(np.linalg.norm(self.tip - self.entry))


def turned(about: int, degrees: float) -> np.ndarray:
    """Return the rotation about a patient axis (0 x, 1 y, 2 z)."""
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    plane = np.eye(3)
    first, second = [(1, 2), (2, 0), (0, 1)][about]
    plane[[first, first, second, second], [first, second, first, second]] = c, -s, s, c
    return plane


def spine(levels, pitch=36.0, lean_deg=(0.0, 0.0), bow_mm=0.0, turn_deg=0.0) -> list[Vertebra]:
    """Return vertebrae stacked towards caudal.

    `lean_deg` runs from the first level's to the last's (positive: upper end forwards); `bow_mm`
    and `turn_deg` are a sideways curve's greatest offset and turn.
    """
    found, at = [], np.zeros(3)
    count = len(levels)
    for n, level in enumerate(levels):
        share = n / max(1, count - 1)
        lean = lean_deg[0] + (lean_deg[1] - lean_deg[0]) * share
        # Vertebrae tilt with the curve that they make.
        slope = bow_mm * np.pi * np.cos(np.pi * share) / (pitch * max(1, count - 1))
        tilt = turned(1, -np.degrees(np.arctan(slope)))
        axes = turned(0, lean) @ tilt @ turned(2, turn_deg * np.sin(np.pi * share))
        middle = at + np.array([bow_mm * np.sin(np.pi * share), 0, 0])
        found.append(Vertebra(level, middle, axes))
        at = at - pitch * (turned(0, lean) @ np.array([0, 0, 1.0]))
    return found


def screw(
    vertebra: Vertebra,
    side: Side,
    *,
    diameter=6.5,
    length=45.0,
    inwards=10.0,
    up=0.0,
    shift=(0.0, 0.0),
    number=1,
) -> Screw:
    """Return a screw through the pedicle, turned inwards and up; `shift` is (medial, cranial)."""
    sign = 1.0 if side is Side.LEFT else -1.0
    angle, rise = np.deg2rad([inwards, up])
    way = vertebra.axes @ np.array(
        [-sign * np.sin(angle) * np.cos(rise), -np.cos(angle) * np.cos(rise), np.sin(rise)]
    )
    through = vertebra.at(sign * (13.0 - shift[0]), 18.0, 6.0 + shift[1])
    entry = through - 14.0 * way
    return Screw(vertebra.level, side, entry, entry + length * way, diameter, number)


def screw_parts(item: Screw, *, has_head=True, hu=TITANIUM_HU) -> list[Part]:
    radius = item.diameter / 2
    start = item.entry - (4.0 if has_head else 0.0) * item.way
    parts = [bar(start, item.tip, radius, hu, tip_radius=min(1.2, radius))]
    if has_head:
        middle = item.entry - 5.0 * item.way
        parts += [ball(middle, 4.8, hu), bar(middle - 15 * item.way, middle, 6.2, hu)]
    return parts


def rod_parts(screws: list[Screw], hu=TITANIUM_HU, overhang=8.0, radius=2.75) -> list[Part]:
    """Return a rod through the heads of screws, which are in order."""
    places = np.array([item.entry - 12.0 * item.way for item in screws])
    first, last = places[1] - places[0], places[-1] - places[-2]
    places[0] -= overhang * first / np.linalg.norm(first)
    places[-1] += overhang * last / np.linalg.norm(last)
    pairs = itertools.pairwise(places)
    inner = [ball(place, radius, hu) for place in places[1:-1]]
    return [bar(one, other, radius, hu) for one, other in pairs] + inner


@dataclass
class Scene:
    """What is drawn."""

    vertebrae: list[Vertebra]
    screws: list[Screw] = field(default_factory=list)
    metal: list[Part] = field(default_factory=list)

    def bone(self) -> list[Part]:
        parts = []
        for item in self.vertebrae:
            for hu, less in ((CORTEX_HU, 0.0), (MARROW_HU, 1.5)):
                body = (item.at(0, 0, -13.5 + less), item.at(0, 0, 13.5 - less))
                parts.append(bar(*body, 21.0 - less, hu))
                for sign in (-1.0, 1.0):
                    ends = (item.at(sign * 12, 12, 6), item.at(sign * 15, 32, 6))
                    parts.append(bar(*ends, 6.0 - less, hu))
                    lamina = (item.at(sign * 15, 32, 2), item.at(0, 40, -2))
                    parts.append(bar(*lamina, 5.0 - less, hu))
                process = (item.at(0, 38, -2), item.at(0, 60, -8))
                parts.append(bar(*process, 4.0 - less, hu))
        return parts


def draw(
    scene: Scene,
    *,
    spacing=(0.7, 0.7, 1.0),
    psf_mm=0.45,
    clip=(-1024, 30000),
    noise_hu=20.0,
    turn=None,
    feet_first=False,
    margin=22.0,
    streak_hu=0.0,
    seed=0,
) -> tuple[np.ndarray, np.ndarray]:
    """Return voxels [k, j, i] and the affine from (i, j, k); `turn` rotates the grid itself."""
    rng = np.random.default_rng(seed)
    metal = scene.metal
    # A thick slice is the mean of thin ones.
    thin = max(1, round(spacing[2] / 0.8))
    spacing = (spacing[0], spacing[1], spacing[2] / thin)
    corners = np.array([part.middle for part in metal] + [item.middle for item in scene.vertebrae])
    reach = np.array([part.reach for part in metal] + [24.0] * len(scene.vertebrae))
    axes = np.eye(3) if turn is None else np.asarray(turn, float)
    local = corners @ axes
    low = (local - reach[:, None]).min(axis=0) - margin / 2
    high = (local + reach[:, None]).max(axis=0) + margin / 2
    count = np.ceil((high - low) / spacing).astype(int) + 1
    count[2] += -count[2] % thin
    affine = np.eye(4)
    affine[:3, :3] = axes * np.array(spacing)
    affine[:3, 3] = axes @ low
    values = np.full(count[::-1], SOFT_HU, dtype=np.float32)
    share_of_metal = np.zeros(values.shape, dtype=np.float32)
    for part in scene.bone():
        _lay(values, part, affine, spacing)
    for part in metal:
        _lay(values, part, affine, spacing, share_of_metal)
    values = ndimage.gaussian_filter(values, (psf_mm / np.array(spacing))[::-1])
    if thin > 1:
        values = values.reshape(-1, thin, *values.shape[1:]).mean(axis=1)
        share_of_metal = share_of_metal.reshape(-1, thin, *values.shape[1:]).mean(axis=1)
        affine[:3, 3] += affine[:3, 2] * (thin - 1) / 2
        affine[:3, 2] *= thin
    if streak_hu:
        values += streak_hu * _streaks(share_of_metal)
    values += rng.normal(0, noise_hu, values.shape).astype(np.float32)
    voxels = np.rint(np.clip(values, *clip)).astype(np.int16)
    if feet_first:
        affine[:3, 3] += affine[:3, 2] * (voxels.shape[0] - 1)
        affine[:3, 2] *= -1
        voxels = voxels[::-1]
    return np.ascontiguousarray(voxels), affine


def _lay(values, part, affine, spacing, record=None) -> None:
    middle = np.linalg.solve(affine[:3, :3], part.middle - affine[:3, 3])
    reach = part.reach / np.array(spacing)
    low = np.clip(np.floor(middle - reach), 0, values.shape[::-1]).astype(int)
    high = np.clip(np.ceil(middle + reach) + 1, 0, values.shape[::-1]).astype(int)
    if (high <= low).any():
        return
    grid = np.stack(np.meshgrid(*map(np.arange, low, high), indexing="ij"), axis=-1)
    points = grid @ affine[:3, :3].T + affine[:3, 3]
    share = np.clip(0.5 - part.distance(points) / np.mean(spacing), 0, 1).transpose(2, 1, 0)
    box = tuple(slice(a, b) for a, b in zip(low[::-1], high[::-1], strict=True))
    here = values[box]
    if record is None:
        here += share * (part.hu - here)
    else:
        here += share * np.maximum(part.hu - here, 0)
        np.maximum(record[box], share, out=record[box])


def _streaks(share) -> np.ndarray:
    """Return bright and dark bands in each slice, about 1 at the strongest near the metal."""
    bands = np.zeros_like(share)
    for number, plane in enumerate(share):
        if plane.max() > 0:
            for axis in (0, 1):
                bands[number] += ndimage.gaussian_filter1d(
                    plane, 18, axis=axis
                ) - 1.6 * ndimage.gaussian_filter1d(plane, 40, axis=axis)
    return bands / max(float(np.abs(bands).max()), 1e-6)
