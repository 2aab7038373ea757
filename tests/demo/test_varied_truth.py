"""The truth of drawn scenes against a slow plain search of voxels on bone without metal.

The rules are the project's own; no source outside it has numbers for these drawings.
"""

from __future__ import annotations

import numpy as np
import pytest

from demo_data.scenario.ct.solids import coordinates_of
from demo_data.scenario.ct.varied.chance import random_scene
from demo_data.scenario.ct.varied.drawing import Posed, true_screws
from tests.build.voxel_search import WALLS, nearest_bone, search

PLAIN = {
    "only_aims": True,
    "is_unilateral": False,
    "missing": False,
    "extra": False,
    "retained": False,
    "second": False,
}


def one_screw(seed, level, aim, **fixed):
    """Return the first left screw of a one-level scene: its truth, its placement, its bone."""
    aims = {(level, "L"): aim}
    scene = random_scene(seed, operated=(level, level), aims=aims, **PLAIN, **fixed)
    return true_screws(scene)[0], Posed(scene).screws[0], Posed(scene).bones[level]


@pytest.mark.parametrize(
    ("seed", "level", "aim"),
    [
        (31, "T4", ("medial", 2.5)),
        (32, "T8", ("wholly_lateral", 0.0)),
        (34, "L5", ("caudal", 3.0)),
        (35, "L2", ("wholly_medial", 0.0)),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_plain_voxel_search_finds_the_same_pedicle_extents(seed, level, aim):
    curved = {"cobb_deg": 35.0, "rotation_deg": 20.0, "apex": level, "facet_scale": 1.3}
    truth, screw, bone = one_screw(seed, level, aim, **curved)
    found = search(
        bone.outer_distance,
        screw.entry,
        screw.tip,
        screw.plan.diameter_mm / 2,
        bone.pedicle_axis("L"),
        -bone.frame.axes[:, 0],
        half_mm=18.0,
    )
    for wall in WALLS:
        surely, possibly = found[wall]
        assert surely - 0.1 <= truth.extents_mm[wall] <= possibly + 0.1, wall
    assert max(possibly for _, possibly in found.values()) > 1.0


@pytest.mark.parametrize(
    ("seed", "level", "aim", "wall"),
    [
        (41, "L4", ("anterior", 3.0), "anterior"),
        (42, "T7", ("anterior", 5.0), "anterior"),
        (43, "L3", ("endplate", 2.5), "endplate"),
        (44, "T9", ("body_lateral", 2.0), "body_lateral"),
        (45, "S1", ("anterior", 2.0), "anterior"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_nearest_bone_voxel_is_as_far_as_the_extent_past_the_body(seed, level, aim, wall):
    truth, screw, bone = one_screw(seed, level, aim)
    extent = truth.extents_mm[wall]
    assert extent > 0.5
    is_tip = wall == "anterior"
    points = screw.tip[np.newaxis] if is_tip else edge_past_the_isthmus(screw, bone)
    distances = nearest_bone(bone.outer_distance, points, extent + 1.0)
    assert distances.max() == pytest.approx(extent, abs=0.15)


def edge_past_the_isthmus(screw, bone):
    """Return the eight places of the shank's edge that stand farthest out of the bone."""
    across, upright = np.linalg.svd(screw.forward[np.newaxis])[2][1:]
    turn = np.radians(np.arange(0, 360, 4))[:, np.newaxis]
    ring = screw.plan.diameter_mm / 2 * (np.cos(turn) * across + np.sin(turn) * upright)
    depths = np.linspace(20.0, screw.plan.length_mm, 40)[:, np.newaxis, np.newaxis]
    points = (screw.entry + depths * screw.forward + ring).reshape(-1, 3)
    return points[np.argsort(bone.outer_distance(coordinates_of(points)))[-8:]]


@pytest.mark.parametrize(("aim", "wall"), [("medial", "medial"), ("caudal", "caudal")])
def test_at_s1_the_canal_and_the_foramen_are_the_walls_that_count(aim, wall):
    truth, screw, bone = one_screw(25, "S1", (aim, 3.0))
    assert truth.extents_mm["lateral"] is None
    assert truth.extents_mm["cranial"] is None
    assert truth.extents_mm["body_lateral"] is None
    assert 1.5 < truth.extents_mm[wall] < 5.0
    middle = screw.entry + 14.0 * screw.forward
    canal_or_foramen = bone.hollow_distance(coordinates_of(middle[np.newaxis]))[0]
    assert canal_or_foramen < screw.plan.diameter_mm / 2


def test_the_angles_are_those_of_the_plan_against_its_own_vertebra():
    """A plan's forward direction is stated in the vertebra's axes, so its angles follow."""
    truth, screw, bone = one_screw(51, "L4", ("contained", 0.0), roll_deg=7.0, tilt_deg=5.0)
    forward = bone.frame.axes.T @ screw.forward
    assert truth.convergence_deg == pytest.approx(np.degrees(np.arcsin(-forward[0])), abs=0.02)
    angle = bone.shape.pedicle("L")[2] + screw.plan.inwards_deg
    assert truth.convergence_deg == pytest.approx(angle, abs=0.6)
    assert truth.sagittal_deg == pytest.approx(screw.plan.upwards_deg, abs=0.02)
