"""Drawn scenes: what is fixed stays fixed, the affine tells where metal lies, seeds repeat."""

from __future__ import annotations

import numpy as np
import pytest

from demo_data.scenario.ct.varied.chance import random_scene
from demo_data.scenario.ct.varied.drawing import draw_scene, true_screws
from tests.build.drawn_scenes import quick


def hounsfield_at(voxels, affine, point):
    i, j, k = np.rint(np.linalg.solve(affine, [*point, 1.0])[:3]).astype(int)
    return voxels[k, j, i]


@pytest.mark.parametrize(
    "position",
    [
        {},
        {"is_prone": True, "roll_deg": 6.0},
        {"is_feet_first": True, "slices_run_up": False, "tilt_deg": 5.0, "swing_deg": -4.0},
    ],
    ids=["supine", "prone and rolled", "feet first and oblique"],
)
def test_the_affine_puts_every_shank_where_the_truth_says(position):
    voxels, affine, truth = quick(5, has_rods=False, metal="titanium", **position)
    for screw in truth:
        entry, tip = np.array(screw.entry_mm), np.array(screw.tip_mm)
        along = (tip - entry) / np.linalg.norm(tip - entry)
        aside = np.cross(along, [0.0, 0.0, 1.0])
        for depth in (6.0, 15.0, screw.length_mm - 4.0):
            middle = entry + depth * along
            assert (hounsfield_at(voxels, affine, middle) > 2200) == screw.is_drawn
        # Past the tip, and beside the shank in the body, there is no metal.
        assert hounsfield_at(voxels, affine, tip + 4.0 * along) < 1800
        beside = tip - 8.0 * along + (screw.diameter_mm / 2 + 3.5) * aside
        assert hounsfield_at(voxels, affine, beside) < 1800


def test_the_same_seed_draws_the_same_voxels_and_another_seed_others():
    small = {"operated": ("T11", "T11"), "in_plane_mm": 0.7, "slice_mm": 2.5, "margin_mm": 10.0}
    first, again = (draw_scene(random_scene(7, **small)) for _ in range(2))
    assert random_scene(7) == random_scene(7) != random_scene(8)
    assert np.array_equal(first[0], again[0])
    assert first[2] == again[2]
    assert true_screws(random_scene(8, **small)) != first[2]


def test_a_name_that_nothing_has_is_refused():
    with pytest.raises(TypeError, match="colour"):
        random_scene(1, colour="blue")
