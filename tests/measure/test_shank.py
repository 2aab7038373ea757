"""Which planes across a line hold a screw's shank alone."""

from __future__ import annotations

import numpy as np

from registry.measure.shank import Sections


def sections(radii: list[float], shank_mm: float) -> Sections:
    """Return planes half a millimetre apart whose middles all lie on the line."""
    count = len(radii)
    return Sections(
        0.5 * np.arange(count),
        np.zeros((count, 2)),
        np.array(radii),
        np.ones(count),
        shank_mm,
        slice(0, count),
    )


def test_metal_behind_a_head_that_is_as_narrow_as_a_shank_is_not_taken_for_it() -> None:
    behind, head, shank, point = [3.1] * 8, [6.0] * 12, [3.2] * 40, [2.0] * 4
    narrow = sections(behind + head + shank + point, 3.2).narrow()
    assert narrow.tolist() == [False] * 20 + [True] * 40 + [False] * 4


def test_a_thin_screw_that_tapers_counts_to_its_back_and_its_neck_does_not() -> None:
    head, neck, shank = [5.0] * 10, [2.4] * 4, list(np.linspace(1.9, 1.5, 40))
    assert sections(head + neck + shank, 1.65).narrow().tolist() == [False] * 14 + [True] * 40
