"""Draw scans whose truth is known, for the teaching set, with the code that draws the demo's CT."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING, Any

from registry.cli.demo import scenario_module

if TYPE_CHECKING:
    from registry.actions.drawn_scans import Drawing
    from registry.domain.known_truth import Purpose

VERSION = "1"
"""Of the drawing; another one draws other scans from the same seeds."""

_OPERATED = (("L3", "L5"), ("L4", "S1"), ("L2", "L4"), ("T11", "L1"), ("L4", "L5"), ("T9", "T11"))
_WALLS = ("medial", "lateral", "caudal", "cranial")
_SLIGHT_MM, _BREACH_MM, _MIXED_MM = (0.7, 1.6), (2.3, 5.5), (2.3, 3.8)
_BREACHED = 2


def drawn(seed: int, purpose: Purpose, **fixed: Any) -> Drawing:  # noqa: ANN401 - as random_scene takes them
    """Return a scan drawn from a seed: the same one, on the same version, each time.

    In practice two screws stand 2 mm or more outside, each through another wall, one stands outside
    by less, and the others are contained; mixed in, three stand outside by 2.3 to 3.8 mm. The walls
    take turns with the seeds. What is aimed at is not always reached: the truth is measured.
    """
    from registry.actions.drawn_scans import Drawing, TrueScrew
    from registry.domain.directions import Direction

    chance = scenario_module("ct.varied.chance")
    drawing = scenario_module("ct.varied.drawing")
    operated = fixed.pop("operated", _OPERATED[seed % len(_OPERATED)])
    scene = chance.random_scene(
        seed,
        operated=operated,
        aims=_aims(seed, purpose, operated),
        only_aims=True,
        is_unilateral=False,
        missing=False,
        extra=False,
        retained=False,
        second=False,
        **fixed,
    )
    voxels, affine, truth = drawing.draw_scene(scene)
    screws = [
        TrueScrew(
            each.level,
            each.side,
            each.number,
            each.diameter_mm,
            each.length_mm,
            each.entry_mm,
            each.tip_mm,
            {wall: each.extents_mm.get(wall.value) for wall in Direction},
        )
        for each in truth
    ]
    return Drawing(voxels, affine, scene.scanner.slice_mm, screws, seed, VERSION)


def _aims(
    seed: int, purpose: Purpose, operated: tuple[str, str]
) -> dict[tuple[str, str], tuple[str, float]]:
    from registry.domain.known_truth import Purpose
    from registry.domain.levels import LEVELS

    codes = [each.code for each in LEVELS]
    levels = codes[codes.index(operated[0]) : codes.index(operated[1]) + 1]
    lot = random.Random(seed)  # noqa: S311 - the same scan from the same seed
    places = [(level, side) for level in levels for side in "LR"]
    lot.shuffle(places)
    walls = [_WALLS[(seed + number) % len(_WALLS)] for number in range(_BREACHED + 1)]
    if purpose is Purpose.MIXED:
        sizes = [lot.uniform(*_MIXED_MM) for _ in walls]
    else:
        sizes = [*(lot.uniform(*_BREACH_MM) for _ in range(_BREACHED)), lot.uniform(*_SLIGHT_MM)]
    return {
        place: (wall, round(size, 1))
        for place, wall, size in zip(places, walls, sizes, strict=False)
    }
