"""Ribs, in the frame of the vertebra that carries them."""

from __future__ import annotations

import numpy as np

from tests.build.other_spine.bones import SIDES, Bone, offset
from tests.build.other_spine.shapes import bar


def rib(vertebra_bone: Bone, side: str) -> Bone:
    """Return a rib whose head lies against the body's and pedicle's side, and its neck behind."""
    sign, sizes = SIDES[side], vertebra_bone.sizes
    pedicle = vertebra_bone.corridors[side]
    outer = np.abs(pedicle.origin[0]) + sizes.pedicle_width / 2.0
    head = np.array([sign * (outer + 1.5), sizes.depth / 2.0 - 3.0, pedicle.origin[2] + 3.0])
    neck = offset(head, [sign * 21.0, 12.5, -1.0])
    far = offset(neck, [sign * 26.0, 1.0, -10.0])
    parts = (
        bar(head, neck, (0, 0, 1), (4.2, 3.6), (5.5, 5.2), cortex_mm=1.0),
        bar(neck, far, (0, 0, 1), (3.6, 3.2), (5.4, 5.8), cortex_mm=1.3, bend_across=0.004 * sign),
    )
    return Bone(f"{vertebra_bone.level} rib {side}", sizes, parts, ())
