"""Soft tissue: what is not bone and not metal, as the density of water plus or minus a share.

Shares (fat -0.10, muscle +0.05, cord +0.035, disc +0.09, blood +0.045) are common practice, no
source. The body round the field is drawn by ellipses alone, whose shadows have a closed form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

FAT, MUSCLE, CORD, FLUID, DISC, BLOOD = -0.10, 0.05, 0.035, 0.012, 0.09, 0.045


@dataclass(frozen=True)
class Ellipse:
    """An ellipse in the scanner's plane, cm of water times `share` per cm; sizes mm."""

    x: float
    y: float
    half_x: float
    half_y: float
    share: float

    def shadow_cm(self, angles, bins):
        """Return chord lengths times share in cm, (angle, bin)."""
        cos, sin = np.cos(angles)[:, None], np.sin(angles)[:, None]
        reach = (self.half_x * cos) ** 2 + (self.half_y * sin) ** 2
        off = bins[None] - (self.x * cos + self.y * sin)
        chord = 2 * self.half_x * self.half_y * np.sqrt(np.maximum(reach - off**2, 0)) / reach
        return 0.1 * self.share * chord


def mottle(shape, smooth, rng):
    """Return smooth noise of mean 0 and standard deviation 1, whose ends meet."""
    noise = ndimage.gaussian_filter(
        rng.standard_normal(shape).astype(np.float32), smooth, mode="wrap"
    )
    return noise / max(float(noise.std()), 1e-6)


class Soft:
    """The soft tissue around a spine; `share(points)` of points (n, 3), LPS mm."""

    def __init__(self, spine, rng):
        self.spine = spine
        self.chest = spine.operated[0].startswith("T")
        self.leanness = float(rng.uniform(0.0, 1.0))
        self.phase = rng.uniform(0, 2 * np.pi, 6)
        self.sac = float(rng.uniform(0.62, 0.78))

    def share(self, points):
        value = self._muscles(points)
        centres = np.array([m.place[2] for m in self.spine.members])
        edges = (centres[:-1] + centres[1:]) / 2.0
        owner = np.searchsorted(-edges, -points[:, 2])
        for number, member in enumerate(self.spine.members):
            rows = np.flatnonzero(owner == number)
            if len(rows):
                self._inner(member, points, rows, value)
        return value

    def _inner(self, member, points, rows, value):
        own = member.to_own(points[rows])
        size = member.bone.sizes
        x, y, z = own.T
        deep, wide = size.depth / 2.0, size.width / 2.0
        disc = (np.abs(x / wide) ** 2.4 + np.abs(y / deep) ** 2.4 < 1.0) & (
            np.abs(z) > size.height / 2.0 - 1.0
        )
        value[rows[disc]] = DISC
        canal = member.bone.canal[0]
        field, _ = canal.field(own)
        inside = field < 0
        value[rows[inside]] = FAT * 0.9
        _, u, v = canal.own(own)
        half_u, half_v = canal.half_across[0] * self.sac, canal.half_up[0] * self.sac
        sac = (u / half_u) ** 2 + (v / half_v) ** 2
        value[rows[sac < 1.0]] = FLUID
        level = member.bone.level
        if level.startswith("T"):
            value[rows[sac < 0.33]] = CORD
        else:
            roots = (sac < 0.8) & (np.sin(1.9 * u + self.phase[0]) * np.sin(2.1 * v) > 0.5)
            value[rows[roots]] = CORD

    def _muscles(self, points):
        middle = np.interp(
            points[:, 2],
            [m.place[2] for m in self.spine.members][::-1],
            [m.place[1] for m in self.spine.members][::-1],
        )
        x = points[:, 0] - np.interp(
            points[:, 2],
            [m.place[0] for m in self.spine.members][::-1],
            [m.place[0] for m in self.spine.members][::-1],
        )
        y = points[:, 1] - middle
        value = np.full(len(points), FAT, dtype=points.dtype)
        wave = 2.0 * np.sin(points[:, 2] / 9.0 + self.phase[1]) + np.sin(x / 7.0 + self.phase[2])
        back = (np.abs(np.abs(x) - 30) / 28) ** 2 + ((y - 48 - wave) / 24) ** 2
        value[back < 1.0] = MUSCLE
        # Fat between and within the muscles of the back.
        bent = 0.30 * np.abs(x) - 0.11 * y + 1.4 * np.sin(0.13 * y + 0.08 * np.abs(x) + wave)
        streak = np.sin(bent + self.phase[3]) + 0.4 * np.sin(0.31 * y + 0.17 * x + self.phase[4])
        fatty = np.clip(2.0 * (streak - 0.55 - 0.6 * self.leanness), 0.0, 1.0)
        value = np.where(back < 1.0, MUSCLE + fatty * (0.5 * FAT - MUSCLE), value)
        if self.chest:
            value[y < 20] = 0.0
        else:
            psoas = ((np.abs(x) - 42 - wave) / 19) ** 2 + ((y - 6) / 24) ** 2
            value[psoas < 1.0] = MUSCLE
        close = (x / 26) ** 2 + ((y - 2) / 22) ** 2
        value[(close < 1.0) & (value < 0)] = 0.0
        vessel = ((x - 11) / 10) ** 2 + ((y + 34) / 10) ** 2
        value[vessel < 1.0] = BLOOD
        vein = ((x + 14) / 11) ** 2 + ((y + 31) / 8) ** 2
        value[vein < 1.0] = BLOOD
        return value


def body_ellipses(level: str, rng) -> list[Ellipse]:
    """Return the body outline and, in the chest, two lungs; mm from the field's middle."""
    half_x, half_y = float(rng.uniform(145, 185)), float(rng.uniform(100, 130))
    middle = 75.0 - half_y
    outline = [Ellipse(float(rng.uniform(-6, 6)), middle, half_x, half_y, 0.99)]
    if level.startswith("T"):
        outline += [
            Ellipse(sign * float(rng.uniform(77, 86)), -46.0, 54.0, 48.0, -0.72) for sign in (-1, 1)
        ]
    return outline
