"""The second drawing's truth against a plain voxel search, and its scanner against plain facts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from registry.domain.directions import Side
from registry.measure.angles import convergence_deg, sagittal_deg
from registry.measure.axes import Midplane, ScrewAxis, section_frame
from tests.build.other_spine.placing import Placement, place
from tests.build.other_spine.scanner import Bench, Scanner
from tests.build.other_spine.scene import other_scene
from tests.build.other_spine.spine import draw_spine
from tests.build.other_spine.tissue import Ellipse
from tests.build.other_spine.truth import Shank, angles, extents, pedicle_sections

STEP_MM = 0.2
BEARINGS = {"medial": 0.0, "cranial": 90.0, "lateral": 180.0, "caudal": -90.0}


@pytest.fixture(scope="module")
def spine():
    return draw_spine(("L5", "S1"), np.random.default_rng(11))


def _beside_the_corridor(spine, level, side, medial_mm, cranial_mm):
    """Return a shank of 7 mm along the corridor, shifted."""
    member = spine.at(level)
    corridor = member.bone.corridors[side]
    middle = corridor.centre([0.0])[0] + medial_mm * corridor.across + cranial_mm * corridor.up
    behind = 10.0 if level == "S1" else 16.0
    ends = [middle - behind * corridor.along, middle + 26.0 * corridor.along]
    entry, tip = member.to_patient(ends)
    return Shank(entry, tip, 3.5, member, side)


def _farthest_outside(shank, wall):
    """Return the wall's extent by asking each node of a plain grid, with a distance transform."""
    worst, sacral = 0.0, shank.member.bone.level == "S1"
    axis = np.arange(-16.0, 16.0 + STEP_MM / 2, STEP_MM)
    u, v = np.meshgrid(axis, axis)
    medial, cranial = shank.frame
    corridor = shank.member.bone.corridors[shank.side]
    line = shank.member.to_patient(corridor.centre(np.arange(-15.0, 15.0, 0.1)))
    rim = np.abs(np.hypot(u, v) - shank.radius_mm) < STEP_MM / 1.4
    # The same sections, so that only how they are measured is compared.
    for section in pedicle_sections(shank, step=0.6, every=1.6, count=24):
        where = shank.entry + section.depth_mm * shank.direction
        points = where + u.ravel()[:, None] * medial + v.ravel()[:, None] * cranial
        own = shank.member.to_own(points)
        bone = (shank.member.bone.field(own)[0] < 0).reshape(u.shape)
        labels, _ = ndimage.label(bone)
        middle = (line - where) @ np.stack([medial, cranial], axis=1)
        middle = middle[np.argmin(np.abs((line - where) @ shank.direction))]
        at = np.argmin(np.hypot(u - middle[0], v - middle[1]))
        bone = labels == labels.ravel()[at]
        apart, (row, column) = ndimage.distance_transform_edt(
            ~bone, sampling=STEP_MM, return_indices=True
        )
        out = rim & ~bone
        if sacral:
            hollow = shank.member.bone.in_canal(own) | shank.member.bone.in_foramen(own)
            out &= hollow.reshape(u.shape)
        bearing = np.rad2deg(np.arctan2((v - v[row, column])[out], (u - u[row, column])[out]))
        facing = np.abs((bearing - BEARINGS[wall] + 180.0) % 360.0 - 180.0) < 45.0
        worst = max(worst, float(apart[out][facing].max(initial=0.0)))
    return worst


@pytest.mark.parametrize(
    ("level", "side", "shift", "wall"),
    [
        ("L5", "L", (8.0, 0.0), "medial"),
        ("L5", "R", (-8.0, 0.0), "lateral"),
        ("L5", "R", (0.0, 6.0), "cranial"),
        ("L5", "L", (0.0, -6.0), "caudal"),
        ("S1", "L", (9.0, 0.0), "medial"),
        ("S1", "R", (3.0, -18.0), "caudal"),
    ],
)
def test_an_extent_through_a_pedicle_wall_is_what_a_plain_voxel_search_finds(
    spine, level, side, shift, wall
):
    shank = _beside_the_corridor(spine, level, side, *shift)
    found = extents(shank, every=1.6, walls_only=True)[wall]
    assert found > 1.0
    assert _farthest_outside(shank, wall) == pytest.approx(found, abs=0.3)


def test_a_shank_down_the_middle_of_its_pedicle_stands_out_nowhere(spine):
    found = extents(_beside_the_corridor(spine, "L5", "L", 0.0, 0.0), every=1.0, walls_only=True)
    assert set(found.values()) == {0.0}


@pytest.mark.parametrize(("wall", "sign"), [("anterior", -1), ("endplate", 1)])
def test_an_extent_out_of_the_body_is_the_distance_to_the_nearest_bone(spine, wall, sign):
    member = spine.at("L5")
    size = member.bone.sizes
    tip = (12.0, -size.depth / 2 - 4.0, 0.0) if sign < 0 else (12.0, 0.0, size.height / 2 + 1.0)
    entry, tip = member.to_patient([(20.0, size.depth / 2 + 18.0, 4.0), tip])
    shank = Shank(entry, tip, 3.0, member, "L")
    found = extents(shank, every=2.0)[wall]
    reach = np.arange(-9.0, 9.01, 0.3)
    near = np.stack(np.meshgrid(reach, reach, reach), axis=-1).reshape(-1, 3)
    if wall == "anterior":
        start = shank.tip
        bone = near[member.bone.field(member.to_own(start + near))[0] < 0]
        plain = np.linalg.norm(bone, axis=1).min()
    else:
        rim = np.concatenate([shank.circle(d, 36)[1] for d in (shank.length_mm - 0.2,)])
        high = rim[np.argmax(member.to_own(rim)[:, 2])]
        bone = near[member.bone.field(member.to_own(high + near))[0] < 0]
        plain = np.linalg.norm(bone, axis=1).min()
    assert found > 1.0
    assert plain == pytest.approx(found, abs=0.3)


def test_a_breach_asked_for_is_about_as_large_as_asked(spine):
    wanted = Placement("L5", "R", "lateral", 2.5)
    screw, _ = place(spine, wanted, np.random.default_rng(2), "titanium")
    assert screw.extents_mm["lateral"] == pytest.approx(2.5, abs=0.4)


def test_frame_and_angles_follow_the_registry_s_conventions(spine):
    shank = _beside_the_corridor(spine, "S1", "R", 1.0, 2.0)
    axis = ScrewAxis(tuple(shank.entry), tuple(shank.tip))
    member = spine.at("S1")
    midplane = Midplane(tuple(member.place), tuple(member.turn[:, 0]))
    theirs = section_frame(axis, 5.0, Side.RIGHT, midplane)
    assert np.allclose(np.stack(shank.frame), [theirs.medial, theirs.cranial])
    assert angles(shank) == pytest.approx(
        (convergence_deg(axis, midplane), sagittal_deg(axis, member.turn[:, 2]))
    )


def _rods(noise, alloy):
    """Return HU (pixels, slices) of bone and metal rods in a body of water, and where they lie."""
    scanner = Scanner(angles=120, noise=noise)
    bench = Bench(scanner, 90.0, 360.0)
    body = Ellipse(0, 0, 150, 105, 1.0).shadow_cm(scanner.turns, bench.bins)
    axis = np.arange(-25.0, 25.0, 0.5) + 0.25
    x, y = (part.ravel() for part in np.meshgrid(axis, axis))
    bone, metal = (
        np.repeat((np.hypot(x - at, y) < radius)[:, None], 2, axis=1).astype(np.float32)
        for at, radius in ((14.0, 6.0), (-14.0, 3.0))
    )
    bone, metal = (bench.shadows(part, x, y, 0.5) for part in (bone, metal))
    lengths = bench.detected(
        body, (-bone - metal, bone, {alloy: metal}), 1, np.random.default_rng(3)
    )
    return bench.back(lengths, x, y), x, y


@pytest.mark.parametrize("alloy", ["titanium", "cobalt-chrome"])
def test_water_reads_nought_dense_bone_1000_to_1800_and_metal_leaves_the_scale(alloy):
    hu, x, y = _rods(1.0, alloy)
    assert abs(hu[np.hypot(x, y - 18) < 6].mean()) < 15
    assert 1000 < hu[np.hypot(x - 14, y) < 4].mean() < 1800
    assert hu[np.hypot(x + 14, y) < 1.5].min() > 3071
    # Hardening and starvation darken what lies between two dense things; titanium least.
    between = hu[(np.abs(x) < 4) & (np.abs(y) < 1)].mean()
    assert between < -60 if alloy == "titanium" else between < -150


def test_noise_grows_with_its_factor():
    quiet, loud = (
        hu[np.hypot(x, y - 18) < 7].std() for hu, x, y in (_rods(n, "titanium") for n in (1.0, 2.0))
    )
    assert loud / quiet == pytest.approx(2.0, rel=0.15)


def test_the_metal_of_a_scene_lies_where_its_screw_is_said_to_lie(tmp_path):
    options = {
        "levels": ("L4",),
        "placements": (Placement("L4", "L"),),
        "orientation": "feet-first",
        "slice_mm": 1.6,
        "pixel_mm": 0.8,
        "field_mm": 64.0,
        "margin_mm": -9.0,
        "cache": tmp_path,
    }
    scene = other_scene(7, **options)
    again = other_scene(7, **options)
    assert again.screws == scene.screws
    assert np.array_equal(again.voxels, scene.voxels)
    screw = scene.screws[0]
    share = np.linspace(0.1, 0.85, 12)[:, None]
    line = np.array(screw.entry) * (1 - share) + np.array(screw.tip) * share
    place = np.rint((line - scene.affine[:3, 3]) @ np.linalg.inv(scene.affine[:3, :3]).T)
    i, j, k = place.astype(int).T
    assert (scene.voxels[k, j, i] > 2500).all()
    assert max(screw.extents_mm.values()) == 0.0
