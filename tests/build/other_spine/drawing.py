"""Bone and metal shares on the scanner's fine grid, a run of thin slices at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

COARSE = 4
NEAR_MM = 2.6


@dataclass(frozen=True)
class Bed:
    """How the patient lies in the scanner: p = place + turn @ (x, y, z of the scanner), mm."""

    turn: np.ndarray
    place: np.ndarray

    def to_patient(self, points):
        return self.place + points @ self.turn.T

    def to_scanner(self, points):
        return (np.asarray(points) - self.place) @ self.turn


def grid_points(x, y, z):
    """Return (n, 3) points of a grid, z slowest, then y, then x."""
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
    return np.stack([xx.ravel(), yy.ravel(), zz.ravel()], axis=1)


def _near(field_of, bed, x, y, z):
    """Return flat indices of the fine grid's points that may lie in a solid."""
    coarse = [_blocks(axis) for axis in (x, y, z)]
    points = bed.to_patient(grid_points(*coarse)).astype(np.float32)
    close = (field_of(points) < NEAR_MM).reshape([len(axis) for axis in coarse[::-1]])
    for axis, full in enumerate((z, y, x)):
        close = np.repeat(close, COARSE, axis=axis).take(range(len(full)), axis=axis)
    return np.flatnonzero(close.ravel())


def _blocks(axis):
    return np.array([axis[at : at + COARSE].mean() for at in range(0, len(axis), COARSE)])


class Drawing:
    """Bone and metal of a scene.

    density : scales cancellous bone and, by half as much, the cortex
    """

    def __init__(self, spine, hardware, bed, density, textures):
        self.spine, self.hardware, self.bed = spine, hardware, bed
        self.density, self.textures = density, textures
        self.boxes = hardware.boxes()

    def solids(self, x, y, z):
        """Return (bone, marrow, metals) shares on the grid, each (z, y, x); metals by alloy."""
        shape = (len(z), len(y), len(x))
        bone = np.zeros(shape, dtype=np.float32).ravel()
        filled = np.zeros_like(bone)
        step = np.float32(x[1] - x[0])
        for field_of, origin in self._bones():
            idx = self._in_box(origin, x, y, z)
            if idx is None:
                continue
            sx, sy, sz, place = idx
            rows = _near(lambda p, f=field_of: f(p)[0], self.bed, sx, sy, sz)
            if not len(rows):
                continue
            kk, jj, ii = np.unravel_index(rows, (len(sz), len(sy), len(sx)))
            points = self.bed.to_patient(np.stack([sx[ii], sy[jj], sz[kk]], axis=1)).astype(
                np.float32
            )
            field, cortex = field_of(points)
            share, inside = self._mineral(points, field, cortex, step)
            flat = np.ravel_multi_index((kk + place[2], jj + place[1], ii + place[0]), shape)
            bone[flat] = np.maximum(bone[flat], share)
            filled[flat] = np.maximum(filled[flat], inside)
        metals = self._metals(x, y, z)
        metal = sum(part.ravel() for part in metals.values())
        bone *= 1.0 - metal
        return bone.reshape(shape), (filled * (1 - metal)).reshape(shape), metals

    def _mineral(self, points, field, cortex, step):
        inside = np.clip(0.5 - field / step, 0.0, 1.0)
        where = points * np.float32(0.5)
        wobble = self._texture(where, 0) * 0.22
        thick = cortex * (0.6 + 0.4 * self.density) * (1.0 + wobble)
        spongy = np.clip(0.5 - (field + thick) / (2.0 * step), 0.0, 1.0)
        inner = (
            self.density * 0.105 * np.clip(1.0 + 0.45 * self._texture(points * 2.2, 1), 0.1, 3.0)
        )
        dense = 0.80 + 0.12 * self.density
        return (inside * (dense * (1 - spongy) + inner * spongy)).astype(np.float32), inside

    def _texture(self, points, number):
        cube = self.textures[number]
        index = np.floor(points).astype(np.int32) % len(cube)
        return cube[index[:, 0], index[:, 1], index[:, 2]]

    def _bones(self):
        for index, member in enumerate(self.spine.members):
            yield (lambda p, n=index: self.spine.whole(n, p)), (member, (-62, -30, -50, 62, 75, 35))
        for number, (_, side, member) in enumerate(self.spine.ribs):
            box = (0, -40, -50, 90, 60, 40) if side == "L" else (-90, -40, -50, 0, 60, 40)
            yield (lambda p, n=number: self.spine.rib_field(n, p)), (member, box)

    def _in_box(self, origin, x, y, z):
        member, box = origin
        low, high = np.array(box[:3], dtype=float), np.array(box[3:], dtype=float)
        corners = np.array([[(low, high)[b >> a & 1][a] for a in range(3)] for b in range(8)])
        return _slab(self.bed.to_scanner(member.to_patient(corners)), x, y, z)

    def _metals(self, x, y, z):
        shape = (len(z), len(y), len(x))
        metals = {}
        step = x[1] - x[0]
        for low, high, field_of, alloy in self.boxes:
            corners = np.array([[(low, high)[b >> a & 1][a] for a in range(3)] for b in range(8)])
            found = _slab(self.bed.to_scanner(corners), x, y, z)
            if found is None:
                continue
            sx, sy, sz, (i, j, k) = found
            field = field_of(self.bed.to_patient(grid_points(sx, sy, sz)))
            share = np.clip(0.5 - field / step, 0.0, 1.0).reshape(len(sz), len(sy), len(sx))
            metal = metals.setdefault(alloy, np.zeros(shape, dtype=np.float32))
            part = metal[k : k + len(sz), j : j + len(sy), i : i + len(sx)]
            np.maximum(part, share.astype(np.float32), out=part)
        # Where a rod sits in a head of another alloy the voxel is filled once.
        total = np.maximum(sum(metals.values(), np.zeros(shape, dtype=np.float32)), 1.0)
        return {alloy: metal / total for alloy, metal in metals.items()}


def _slab(corners, x, y, z):
    """Return the parts of the axes inside the corners' box and where they start, or None."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    parts, starts = [], []
    for axis, a, b in zip((x, y, z), low, high, strict=True):
        first, last = np.searchsorted(axis, a), np.searchsorted(axis, b)
        if first >= last:
            return None
        parts.append(axis[first:last])
        starts.append(int(first))
    return (*parts, tuple(starts))
