"""From a drawn spine to voxels: how the patient lies, and the scan in runs of slices."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.build.other_spine.drawing import Bed, Drawing
from tests.build.other_spine.scanner import Bench, Scanner
from tests.build.other_spine.tissue import Soft, body_ellipses, mottle

CHUNK_SLICES = 24
THIN_MM = 0.45
DRAWN_PIXEL_MM = 0.5
LOWEST_HU = -1024

_ORIENTATIONS = {
    "supine": np.eye(3),
    "prone": np.diag([-1.0, -1.0, 1.0]),
    "feet-first": np.diag([1.0, 1.0, -1.0]),
}


@dataclass(frozen=True)
class Field:
    """The reconstructed field: pixels across, their size, slices and where the first starts."""

    pixels: int
    pixel_mm: float
    slices: int
    slice_mm: float
    bottom_mm: float

    @classmethod
    def around(cls, bed, members, options) -> Field:
        """Return the field that holds the members' bodies and a margin."""
        ends = [
            bed.to_scanner(m.to_patient([[0, y, sign * m.bone.sizes.height / 2]]))[0, 2]
            for m in members
            for sign in (-1, 1)
            for y in (-15, 30)
        ]
        bottom = min(ends) - options.margin_mm
        slices = int(np.ceil((max(ends) + options.margin_mm - bottom) / options.slice_mm))
        pixels = round(options.field_mm / options.pixel_mm)
        return cls(pixels, options.pixel_mm, slices, options.slice_mm, bottom)

    @property
    def axis(self):
        return (np.arange(self.pixels) - (self.pixels - 1) / 2) * self.pixel_mm

    @property
    def drawn_mm(self) -> float:
        return float(self.pixels * self.pixel_mm * np.sqrt(2.0))

    def affine(self, bed):
        first = np.array([self.axis[0], self.axis[0], self.bottom_mm + self.slice_mm / 2])
        affine = np.eye(4)
        affine[:3, :3] = bed.turn @ np.diag([self.pixel_mm, self.pixel_mm, self.slice_mm])
        affine[:3, 3] = bed.to_patient(first[None])[0]
        return affine


def bed_for(members, orientation: str, rng) -> Bed:
    """Return how the patient lies; 'oblique' turns the stack by up to 12 degrees in all axes."""
    turn = _ORIENTATIONS.get(orientation)
    if turn is None:
        a, b, c = np.deg2rad(rng.uniform(-12, 12, 3))
        turn = _about(0, a) @ _about(1, b) @ _about(2, c)
    spots = np.concatenate([m.to_patient([[0, m.bone.sizes.depth * 0.55, 0]]) for m in members])
    return Bed(turn, (spots.min(axis=0) + spots.max(axis=0)) / 2.0)


def _about(axis, angle):
    cos, sin = np.cos(angle), np.sin(angle)
    turn = np.eye(3)
    one, two = (n for n in range(3) if n != axis)
    turn[one, one] = turn[two, two] = cos
    turn[one, two], turn[two, one] = -sin, sin
    return turn


class Scan:
    """One scan of a spine and its hardware."""

    def __init__(self, spine, hardware, bed, field, options, rng):
        textures = (mottle((48,) * 3, 2.0, rng), mottle((96,) * 3, 1.1, rng))
        self.soft = Soft(spine, rng)
        self.rng, self.bed, self.field, self.highest = rng, bed, field, options.highest_hu
        scanner = Scanner(
            kernel=options.kernel,
            noise=options.noise,
            slice_mm=field.slice_mm,
        )
        ellipses = body_ellipses(options.levels[0], rng)
        widest = 2.0 * (max(e.half_x for e in ellipses) + 60.0)
        self.bench = Bench(scanner, field.drawn_mm, widest)
        across, back = bed.turn[0, 0], bed.turn[1, 1]
        turned = [replace(e, x=e.x * across, y=e.y * back) for e in ellipses]
        self.body = sum(e.shadow_cm(scanner.turns, self.bench.bins) for e in turned)
        self.drawing = Drawing(spine, hardware, bed, options.density, textures)

    def voxels(self):
        """Return int16 HU, (slice, row, column)."""
        field = self.field
        x, y = (part.ravel() for part in np.meshgrid(field.axis, field.axis))
        out = np.empty((field.slices, field.pixels, field.pixels), dtype=np.int16)
        for start in range(0, field.slices, CHUNK_SLICES):
            number = min(CHUNK_SLICES, field.slices - start)
            hu = self.bench.back(self._lengths(start, number), x, y)
            hu = np.clip(np.rint(hu), LOWEST_HU, min(self.highest, 32767))
            shape = (number, field.pixels, field.pixels)
            out[start : start + number] = hu.T.reshape(shape).astype(np.int16)
        return out

    def _lengths(self, start, number):
        step = self.field.slice_mm
        thin = max(1, round(step / THIN_MM))
        z = self.field.bottom_mm + start * step + (np.arange(number * thin) + 0.5) * step / thin
        count = int(np.ceil(self.field.drawn_mm / DRAWN_PIXEL_MM / 4)) * 4
        axis = (np.arange(count) - (count - 1) / 2) * DRAWN_PIXEL_MM
        circle = np.hypot(*np.meshgrid(axis, axis)) < self.field.drawn_mm / 2 - 1.0
        bone, marrow, metals = self.drawing.solids(axis, axis, z)
        bone, marrow = bone * circle, marrow * circle
        metals = {alloy: metal * circle for alloy, metal in metals.items()}
        metal = sum(metals.values(), np.zeros_like(bone))
        # Marrow is fat and cells: a little lighter than water; mineral and metal displace it.
        lighter = -marrow * 0.03 * (1 - bone) - bone - metal
        soft = self._soft(axis, z.reshape(-1, thin).mean(axis=1), marrow + metal, circle)
        water = np.repeat(soft, thin, axis=2)
        water += self._shadow(lighter, axis)
        shadows = {alloy: self._shadow(part, axis) for alloy, part in metals.items()}
        shares = (water, self._shadow(bone, axis), shadows)
        return self.bench.detected(self.body, shares, thin, self.rng)

    def _shadow(self, volume, axis):
        used = np.flatnonzero((volume != 0).any(axis=0).ravel())
        x, y = axis[used % len(axis)], axis[used // len(axis)]
        flat = volume.reshape(len(volume), -1)[:, used].T
        values = np.ascontiguousarray(flat, dtype=np.float32)
        return self.bench.shadows(values, x, y, DRAWN_PIXEL_MM)

    def _soft(self, axis, middle, taken, circle):
        """Return shadows of the soft tissue, drawn at half the resolution, one a slice."""
        half = axis.reshape(-1, 2).mean(axis=1)
        slices, size = len(middle), len(half)
        blocks = np.clip(taken, 0, 1).reshape(slices, -1, size, 2, size, 2)
        free = 1.0 - blocks.mean(axis=(1, 3, 5))
        free *= circle.reshape(size, 2, size, 2).mean(axis=(1, 3))
        grid = np.meshgrid(middle, half, half, indexing="ij")
        points = np.stack([part.ravel() for part in grid][::-1], axis=1)
        share = self.soft.share(self.bed.to_patient(points)).reshape(free.shape) * free
        inside = np.flatnonzero(circle.reshape(size, 2, size, 2).any(axis=(1, 3)).ravel())
        values = np.ascontiguousarray(share.reshape(slices, -1)[:, inside].T, dtype=np.float32)
        x, y = half[inside % size], half[inside // size]
        return self.bench.shadows(values, x, y, 2 * DRAWN_PIXEL_MM)
