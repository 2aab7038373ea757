"""A scan or a log with left and right exchanged is told where a construct lets it, and only there.

The image is the drawn CT of the invented patient; screws are taken out of it on one side, so that
the truth is known by construction.
"""

from __future__ import annotations

import numpy as np
import pytest

from demo_data.scenario.ct.placement import place_all
from demo_data.scenario.ct.study import volume
from demo_data.scenario.ct.vertebra import build_vertebrae
from registry.measure.metal_sides import MetalSides, can_be_told, is_mirrored, metal_sides

LEVELS = ("L3", "L4")


@pytest.fixture(scope="module")
def drawn():
    voxels, affine = volume(11, spacing_mm=(0.9, 1.5), levels=LEVELS)
    # From (k, j, i) to the ledger's (i, j, k).
    return voxels, np.asarray(affine)[:, [2, 1, 0, 3]]


def without(drawn, places):
    """Return the image with the metal about some screws made bone."""
    voxels, affine = drawn
    voxels = voxels.copy()
    k, j, i = np.nonzero(voxels > 1300)
    points = np.column_stack([i, j, k]) @ affine[:3, :3].T + affine[:3, 3]
    for screw in place_all(build_vertebrae()):
        if (screw.plan.level, screw.plan.side) in places:
            tip, back = np.array(screw.tip), np.array(screw.entry)
            back = back + 25 * (back - tip) / np.linalg.norm(back - tip)
            along = np.clip((points - tip) @ (back - tip) / ((back - tip) @ (back - tip)), 0, 1)
            near = np.linalg.norm(points - tip - along[:, None] * (back - tip), axis=1) < 14
            voxels[k[near], j[near], i[near]] = 300
    return voxels, affine


@pytest.mark.parametrize(
    ("gone", "left_share"),
    [
        ({("L3", "L"), ("L4", "L")}, 0.0),
        ({("L3", "R"), ("L4", "R")}, 1.0),
        ({("L3", "L")}, 1 / 3),
        ({("L4", "R")}, 2 / 3),
    ],
)
def test_an_exchanged_side_is_told_and_the_right_one_is_not(drawn, gone, left_share):
    voxels, affine = without(drawn, gone)
    found = metal_sides(voxels, affine)
    assert not is_mirrored(found, left_share)
    assert is_mirrored(found, 1 - left_share)
    # The image turned over: what an export does that loses the order of its columns.
    turned = metal_sides(voxels[:, :, ::-1], affine)
    assert is_mirrored(turned, left_share)
    assert not is_mirrored(turned, 1 - left_share)


def test_the_patient_s_left_is_found_whatever_way_the_array_runs(drawn):
    voxels, affine = without(drawn, {("L3", "L"), ("L4", "L")})
    found = metal_sides(voxels, affine)
    assert found.right_mm3 > 5 * found.left_mm3
    flipped = affine.copy()
    flipped[:, 3] += (voxels.shape[2] - 1) * flipped[:, 0]
    flipped[:, 0] *= -1
    assert metal_sides(voxels[:, :, ::-1], flipped) == found


def test_a_construct_alike_on_both_sides_says_nothing(drawn):
    voxels, affine = drawn
    found = metal_sides(voxels, affine)
    assert 0.35 < found.left_mm3 / (found.left_mm3 + found.right_mm3) < 0.65
    for share in (0.0, 1 / 3, 0.5, 2 / 3, 1.0):
        assert not is_mirrored(found, share)


@pytest.mark.parametrize(("share", "told"), [(1 / 3, True), (3 / 7, False), (0.5, False)])
def test_only_a_clear_difference_can_be_told(share, told):
    assert can_be_told(share) is can_be_told(1 - share) is told
    exchanged = MetalSides((1 - share) * 6000, share * 6000)
    assert is_mirrored(exchanged, share) is told


def test_without_metal_nothing_is_said():
    empty = metal_sides(np.zeros((4, 8, 8), dtype=np.int16), np.eye(4))
    assert empty == MetalSides(0.0, 0.0)
    assert not is_mirrored(empty, 0.0)
