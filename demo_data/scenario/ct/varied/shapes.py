"""Vertebrae of many patients: usual sizes by level, scaled, jittered, and bent into curves.

The usual sizes are invented and lie within published ranges of pedicle width, height and
convergence by level (Zindrick 1987; Christodoulou 2005; Kretzer 2011; Chadha 2003).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..levels import LevelShape

_S = LevelShape
# level, half width, half depth, height, disc below, tilt, turn, canal width and depth, then the
# pedicle's width, height and convergence.
USUAL = (
    _S("T1", 14.5, 8.6, 17.0, 3.5, 27.0, 0.0, 19.5, 15.0, 8.0, 9.6, 27.0),
    _S("T2", 14.0, 9.0, 17.5, 3.5, 25.0, 0.0, 17.5, 15.0, 7.0, 11.2, 20.0),
    _S("T3", 13.6, 9.8, 18.0, 3.5, 22.0, 0.0, 16.5, 15.0, 5.6, 11.6, 15.0),
    _S("T4", 13.6, 10.6, 18.5, 3.6, 19.0, 0.0, 16.0, 15.0, 5.0, 11.7, 12.5),
    _S("T5", 13.9, 11.5, 19.0, 3.7, 15.0, 0.0, 16.0, 15.0, 4.8, 11.8, 10.0),
    _S("T6", 14.3, 12.4, 19.6, 4.0, 11.0, 0.0, 16.0, 15.0, 5.2, 12.0, 8.5),
    _S("T7", 14.8, 13.2, 20.2, 4.2, 6.0, 0.0, 16.0, 15.0, 5.5, 12.3, 8.0),
    _S("T8", 15.4, 13.9, 20.8, 4.4, 1.0, 0.0, 16.0, 15.2, 5.9, 12.9, 7.5),
    _S("T9", 16.1, 14.5, 21.6, 4.7, -4.0, 0.0, 16.3, 15.3, 6.3, 13.9, 6.5),
    _S("T10", 17.0, 15.0, 22.6, 5.0, -8.0, 0.0, 17.0, 15.5, 6.8, 14.9, 5.0),
    _S("T11", 18.5, 15.5, 23.5, 5.5, -11.0, 0.0, 17.5, 16.0, 8.2, 16.4, 3.0),
    _S("T12", 20.5, 16.0, 25.0, 6.0, -13.0, 0.0, 19.5, 17.0, 8.2, 16.2, 1.5),
    _S("L1", 21.5, 16.5, 26.0, 7.5, -12.0, 0.0, 21.5, 17.0, 8.6, 15.6, 7.0),
    _S("L2", 22.5, 17.0, 27.0, 9.0, -8.0, 0.0, 22.0, 16.5, 9.2, 15.2, 9.5),
    _S("L3", 23.5, 17.3, 27.5, 10.0, -1.0, 0.0, 22.5, 16.5, 10.6, 14.9, 12.5),
    _S("L4", 25.0, 17.5, 27.5, 11.0, 9.0, 0.0, 23.5, 16.5, 12.6, 14.6, 16.5),
    _S("L5", 26.0, 17.5, 27.0, 10.0, 22.0, 0.0, 26.0, 17.0, 15.0, 14.0, 24.0),
    _S("S1", 25.0, 16.0, 29.0, 5.0, 39.0, 0.0, 31.0, 15.0, 17.5, 14.5, 22.0),
)
NAMES = tuple(shape.level for shape in USUAL)
_RIB_RISE_MM = 6.0
_SPINOUS_DROP_MM = 11.0


@dataclass(frozen=True)
class Build:
    """One patient's build and curve.

    `size` scales all bone, `pedicle_width` pedicles alone (narrow below 1), `convergence_deg` is
    added to every pedicle's. `curve` multiplies the usual sagittal curve and `posture_deg` leans
    all of it forwards. `cobb_deg` bends the spine sideways about `apex` over `reach` levels each
    way, its apical vertebra turned by `rotation_deg`. `wedge` names a collapsed level,
    `decompressed` those whose arch was opened, `waist` how much narrower a body's middle is.
    """

    size: float = 1.0
    pedicle_width: float = 1.0
    convergence_deg: float = 0.0
    asymmetry: float = 0.05
    jitter: float = 0.03
    curve: float = 1.0
    posture_deg: float = 0.0
    cobb_deg: float = 0.0
    rotation_deg: float = 0.0
    apex: str = "T12"
    reach: float = 4.0
    facet_scale: float = 1.0
    wedge: tuple[str, float] | None = None
    disc: float = 1.0
    waist: float = 0.08
    decompressed: tuple[str, ...] = ()


def level_range(first: str, last: str) -> tuple[str, ...]:
    """Return the levels from `first` to `last`, cranial first."""
    return NAMES[NAMES.index(first) : NAMES.index(last) + 1]


def shapes_of(
    levels: tuple[str, ...], build: Build, generator: np.random.Generator
) -> tuple[LevelShape, ...]:
    """Return the shapes of `levels`, jittered by `generator` about the build's."""
    # Drawn for every level, so that one level looks the same whichever others are drawn.
    made = {usual.level: _shaped(usual, build, generator) for usual in USUAL}
    return tuple(made[level] for level in levels)


def _shaped(usual: LevelShape, build: Build, generator: np.random.Generator) -> LevelShape:
    def near(value: float, spread: float = build.jitter) -> float:
        return float(value * np.exp(spread * np.clip(generator.standard_normal(), -2, 2)))

    size, place = build.size, NAMES.index(usual.level)
    asymmetry = build.asymmetry
    if build.cobb_deg:
        # The concave side's pedicles are the narrower ones; the apex is convex to the left here.
        asymmetry += 0.15 * _window(place, build) * min(1.0, abs(build.cobb_deg) / 40)
    narrow = 1.0 if usual.level == "S1" else build.pedicle_width
    width = near(usual.pedicle_width_mm * size * narrow, 0.07)
    height = near(usual.pedicle_height_mm * size, 0.04)
    converge = usual.pedicle_convergence_deg + build.convergence_deg
    right = (
        float(width * np.exp(-np.sign(build.cobb_deg or 1.0) * asymmetry)),
        near(height, 0.02),
        converge + float(generator.normal(0, 2.0)),
    )
    is_thoracic = usual.level.startswith("T")
    reduced = 1.0 if not is_thoracic else float(np.clip(usual.half_width_mm / 17.5, 0.78, 1.0))
    middle_thoracic = is_thoracic and 3 <= place <= 8  # noqa: PLR2004 - T4 to T9
    lean, turn = _curve(place, build)
    return replace(
        usual,
        half_width_mm=near(usual.half_width_mm * size),
        half_depth_mm=near(usual.half_depth_mm * size),
        height_mm=max(near(usual.height_mm * size), height + 4.5),
        disc_below_mm=near(usual.disc_below_mm * size * build.disc, 0.12),
        canal_width_mm=near(usual.canal_width_mm * size),
        canal_depth_mm=near(usual.canal_depth_mm * size),
        tilt_deg=usual.tilt_deg * build.curve + build.posture_deg + float(generator.normal(0, 1)),
        lean_deg=lean,
        turn_deg=turn + float(generator.normal(0, 0.8)),
        pedicle_width_mm=width,
        pedicle_height_mm=height,
        pedicle_convergence_deg=converge + float(generator.normal(0, 2.0)),
        pedicle_rise_deg=float(generator.normal(-4.0 if is_thoracic else 0.0, 2.0)),
        right_pedicle=right,
        scale=reduced * size,
        facet_scale=max(0.85, near(build.facet_scale, 0.1)),
        spinous_drop_mm=_SPINOUS_DROP_MM if middle_thoracic else 0.0,
        rib_rise_mm=_RIB_RISE_MM if is_thoracic and 1 <= place <= 9 else 0.0,  # noqa: PLR2004 - T2 to T10 meet the disc above
        waist=build.waist,
        is_decompressed=usual.level in build.decompressed,
        wedge_deg=build.wedge[1] if build.wedge and build.wedge[0] == usual.level else 0.0,
    )


def _window(place: int, build: Build) -> float:
    away = (place - NAMES.index(build.apex)) / build.reach
    return float(np.exp(-(away**2)))


def _curve(place: int, build: Build) -> tuple[float, float]:
    """Return how far a level leans to the left and turns, degrees."""
    if not build.cobb_deg:
        return 0.0, 0.0
    away = (place - NAMES.index(build.apex)) / build.reach
    lean = build.cobb_deg / 2 * float(np.sin(np.clip(away, -2, 2) * np.pi / 2))
    return lean, build.rotation_deg * _window(place, build)
