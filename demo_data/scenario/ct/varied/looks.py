"""How one patient and scanner look, by lot: build, bone, metal, kernel, noise, position."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..bone import BoneLook, Regions
from ..streaks import StreakLook
from .scene import Hardware, Scanner
from .shapes import Build, level_range

if TYPE_CHECKING:
    from numpy.random import Generator

METALS = ("titanium", "cobalt-chrome rods", "cobalt-chrome")
_SLICES_MM = (0.6, 0.75, 0.8, 1.0, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0)
_VOXELS = 26e6
_LEVEL_MM, _ENDS_MM, _FIELD_MM2 = 32.0, 54.0, 100.0 * 130.0


def chance_build(lot: Generator, operated: tuple[str, str]) -> Build:
    """Return a build: a quarter are scoliotic, three in ten have large facet joints."""
    levels = level_range(*operated)
    cobb, rotation, apex = 0.0, 0.0, str(levels[len(levels) // 2])
    sign, size = float(lot.choice([-1.0, 1.0])), float(lot.uniform(0.4, 1.0))
    if lot.uniform() < 0.25:  # noqa: PLR2004 - of ours
        cobb, rotation = sign * 48.0 * size, sign * 25.0 * size * float(lot.uniform(0.5, 1.0))
    wedge = (str(lot.choice(levels)), float(lot.uniform(4, 14)))
    has_wedge, is_hypertrophic = lot.uniform() < 0.15, lot.uniform() < 0.3  # noqa: PLR2004 - of ours
    build = Build(
        size=float(np.clip(lot.normal(1.0, 0.06), 0.87, 1.13)),
        pedicle_width=float(np.clip(lot.normal(1.0, 0.13), 0.62, 1.25)),
        convergence_deg=float(lot.normal(0, 2.0)),
        asymmetry=float(lot.normal(0, 0.06)),
        curve=float(lot.uniform(0.5, 1.3)),
        posture_deg=float(lot.normal(0, 3.0)),
        cobb_deg=cobb,
        rotation_deg=rotation,
        apex=apex,
        reach=float(lot.uniform(2.8, 4.2)),
        facet_scale=float(lot.uniform(1.2, 1.55)) if is_hypertrophic else 1.0,
        wedge=wedge if has_wedge and wedge[0] != "S1" else None,
        disc=float(lot.uniform(0.65, 1.1)),
    )
    opened = tuple(level for level in levels if level != "S1" and lot.uniform() < 0.5)  # noqa: PLR2004 - a coin
    is_opened, waist = lot.uniform() < 0.35, float(lot.uniform(0.05, 0.14))  # noqa: PLR2004 - of ours
    return replace(build, waist=waist, decompressed=opened if is_opened else ())


def chance_bone(lot: Generator, *, is_osteoporotic: bool | None) -> BoneLook:
    """Return how bone shows; in a quarter it is of low density with a thin cortex."""
    poor = lot.uniform() < 0.25 if is_osteoporotic is None else is_osteoporotic  # noqa: PLR2004 - of ours
    thick = float(lot.uniform(0.55, 0.8) if poor else lot.uniform(0.8, 1.2))
    dense = float(lot.uniform(0.72, 0.85) if poor else lot.uniform(0.9, 1.1))
    marrow = float(lot.uniform(0.3, 0.6) if poor else lot.uniform(0.75, 1.3))
    usual = BoneLook()
    return BoneLook(
        _times(usual.cortex_mm, thick),
        _times(usual.cortex_hu, dense),
        _times(usual.marrow_hu, marrow),
        _times(usual.trabeculae_hu, float(np.sqrt(marrow))),
    )


def _times(values: Regions, factor: float) -> Regions:
    body, pedicle, arch, rib = values
    return body * factor, pedicle * factor, arch * factor, rib * factor


def chance_hardware(lot: Generator, metal: str | None) -> tuple[Hardware, float, StreakLook]:
    """Return the metal, how far it blooms in millimetres, and the streaks it casts."""
    drawn = str(lot.choice(METALS, p=[0.6, 0.22, 0.18]))
    metal = drawn if metal is None else metal
    bright = float(lot.uniform(0.9, 2.0))
    shank, head, rod = 3400.0 * bright, 5200.0 * bright, 6800.0 * bright
    strong, starved, bloom = lot.uniform(0.7, 1.5), lot.uniform(0.0, 0.3), lot.uniform(0.0, 0.2)
    if metal == "cobalt-chrome rods":
        rod = float(lot.uniform(13000, 20000))
        strong, starved, bloom = strong * 2.2, starved + 0.4, bloom + 0.1
    elif metal == "cobalt-chrome":
        shank, head, rod = (
            float(lot.uniform(*ends)) for ends in ((9e3, 13e3), (12e3, 18e3), (15e3, 22e3))
        )
        strong, starved, bloom = strong * 5.0, starved + 0.8, bloom + 0.35
    has_rods, has_link, has_second = lot.uniform(size=3) < (0.88, 0.25, 0.1)
    shares = tuple(float(share) for share in lot.uniform(0.15, 0.85, size=int(lot.integers(1, 3))))
    sides = (("L",), ("R",), ("L", "R"))[int(lot.integers(3))]
    hardware = Hardware(
        shank,
        head,
        rod,
        has_rods=bool(has_rods),
        rod_radius_mm=float(lot.choice([2.5, 2.75, 3.0, 3.175])),
        cross_links=shares if has_link else (),
        second_rods=sides if has_second else (),
        thread_pitch_mm=float(lot.uniform(2.0, 3.5)),
        thread_depth_mm=float(lot.uniform(0.4, 1.0)),
        taper_mm=float(lot.uniform(4.0, 14.0)),
    )
    look = StreakLook(
        150.0 * float(strong), 45.0 * float(strong), float(starved), int(lot.integers(2**31))
    )
    graft = int(lot.integers(20, 90)) if lot.uniform() < 0.35 else 0  # noqa: PLR2004 - of ours
    return replace(hardware, graft=graft), float(bloom), look


def chance_scanner(lot: Generator, kernel: str | None, noise: float | None, levels: int) -> Scanner:
    """Return scanner and position; the voxels are kept few enough to draw in seconds."""
    drawn = str(lot.choice(["sharp", "soft"], p=[0.65, 0.35]))
    is_sharp = (drawn if kernel is None else kernel) == "sharp"
    louder = float(lot.uniform(1, 3))
    louder = louder if noise is None else noise
    slice_mm = float(lot.choice(_SLICES_MM))
    in_plane = float(lot.uniform(0.3, 0.7))
    least = np.sqrt(_FIELD_MM2 * (levels * _LEVEL_MM + _ENDS_MM) / min(slice_mm, 1.0) / _VOXELS)
    sharpness = float(lot.uniform(0.3, 0.42) if is_sharp else lot.uniform(0.5, 0.75))
    overshoot = float(lot.uniform(0.0, 0.3)) if is_sharp else 0.0
    grain = (24.0 if is_sharp else 9.0) * louder / float(np.sqrt(slice_mm))
    position = lot.uniform(size=5)
    angles = np.clip(lot.normal(0, (3.0, 3.5, 2.5)), -8, 8)
    is_oblique = position[3] < 0.3  # noqa: PLR2004 - of ours
    return Scanner(
        in_plane_mm=round(max(in_plane, float(least)), 4),
        slice_mm=slice_mm,
        sharpness_mm=sharpness,
        overshoot=overshoot,
        grain_hu=grain,
        grain_mm=0.36 if is_sharp else 0.7,
        is_twelve_bit=bool(position[0] < 0.5),  # noqa: PLR2004 - a coin
        is_prone=bool(position[1] < 0.15),  # noqa: PLR2004 - of ours
        is_feet_first=bool(position[2] < 0.15),  # noqa: PLR2004 - of ours
        slices_run_up=bool(position[4] < 0.5),  # noqa: PLR2004 - a coin
        roll_deg=round(float(angles[0]), 2),
        tilt_deg=round(float(angles[1]), 2) if is_oblique else 0.0,
        swing_deg=round(float(angles[2]), 2) if is_oblique else 0.0,
        margin_mm=float(lot.uniform(18, 34)),
        offset_mm=(
            round(float(lot.uniform(-20, 20)), 1),
            round(float(lot.uniform(-220, -120)), 1),
            round(float(lot.uniform(-900, 300)), 1),
        ),
    )
