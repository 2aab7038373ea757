"""The drawn screws' truth against a slow plain voxel search, and under mirroring and turning.

The rule that is searched: extents past the pedicle's outer cortex by 90 degree sectors, over the
sections round the isthmus that close in themselves and are at most 1.7 times it in area. It is
the project's own definition; no source outside it has numbers for this drawing.
"""

from __future__ import annotations

import numpy as np
import pytest

from demo_data.scenario.ct.levels import shape_of
from demo_data.scenario.ct.placement import place_all
from demo_data.scenario.ct.solids import Coordinates, coordinates_of
from demo_data.scenario.ct.study import drawn_screws, line_of
from demo_data.scenario.ct.truth import (
    ScrewLine,
    anterior_extent,
    greatest_outside,
    pedicle_extents,
    pedicle_sections,
)
from demo_data.scenario.ct.vertebra import PedicleAxis, build_vertebrae
from tests.build.voxel_search import WALLS, search

CUT_OFFS_MM = (2.0, 4.0, 6.0)


@pytest.fixture(scope="module")
def truth():
    return {(screw.level, screw.side): screw for screw in drawn_screws()}


@pytest.fixture(scope="module")
def vertebrae():
    return build_vertebrae()


@pytest.fixture(scope="module")
def placed(vertebrae):
    return {(screw.plan.level, screw.plan.side): screw for screw in place_all(vertebrae)}


def breached_walls(screw):
    return [wall for wall in WALLS if screw.extents_mm[wall] > 0]


def test_the_construct_has_one_screw_for_every_wall_a_diagonal_one_and_six_contained(truth):
    walls = sorted(tuple(breached_walls(screw)) for screw in truth.values())
    assert walls == sorted([()] * 7 + [(wall,) for wall in WALLS] + [("medial", "caudal")])
    anterior = [screw for screw in truth.values() if screw.extents_mm["anterior"] > 0]
    assert len(anterior) == 1
    assert breached_walls(anterior[0]) == []


def test_the_extents_are_spread_over_the_grades_and_keep_clear_of_the_cut_offs(truth):
    extents = [
        value for screw in truth.values() for value in screw.extents_mm.values() if value > 0
    ]
    assert min(extents) < 2
    assert max(extents) > 4
    assert min(abs(value - cut) for value in extents for cut in CUT_OFFS_MM) >= 0.3


def test_entry_tip_and_catalogued_length_agree(truth):
    for screw in truth.values():
        apart = np.linalg.norm(np.subtract(screw.entry_mm, screw.tip_mm))
        assert apart == pytest.approx(screw.length_mm, abs=0.01)
        # The tip is in front of the entry: LPS y falls forwards.
        assert screw.tip_mm[1] < screw.entry_mm[1] - 25


def test_contained_screws_clear_every_wall_by_more_than_ct_can_show(placed, vertebrae, truth):
    for key, screw in placed.items():
        if breached_walls(truth[key]):
            continue
        vertebra = vertebrae[key[0]]
        line = line_of(screw, vertebra)
        sections = pedicle_sections(vertebra.outer_distance, line, vertebra.pedicle_axis(key[1]))
        for section in sections:
            depth = section.depth_mm
            outside = greatest_outside(vertebra.outer_distance, line, depth, depth + 0.1)
            assert outside < -0.3, key


def test_no_shank_leaves_the_body_beyond_the_pedicle_except_the_anterior_tip(
    placed, vertebrae, truth
):
    for key, screw in placed.items():
        vertebra = vertebrae[key[0]]
        line = line_of(screw, vertebra)
        sections = pedicle_sections(vertebra.outer_distance, line, vertebra.pedicle_axis(key[1]))
        last = screw.plan.length_mm - (12.0 if truth[key].extents_mm["anterior"] else 6.0)
        first = sections[-1].depth_mm + 3.0
        assert greatest_outside(vertebra.outer_distance, line, first, last) < 0, key


@pytest.mark.parametrize(
    "key",
    [("T12", "R"), ("L1", "L"), ("L1", "R"), ("L2", "R"), ("L3", "L"), ("L4", "R")],
    ids="".join,
)
def test_a_plain_voxel_search_finds_the_same_extents(key, placed, vertebrae, truth):
    vertebra = vertebrae[key[0]]
    screw = placed[key]
    found = search(
        vertebra.outer_distance,
        screw.entry,
        screw.tip,
        screw.plan.diameter_mm / 2,
        vertebra.pedicle_axis(key[1]),
        vertebra.frame.axes[:, 0] * (-1 if key[1] == "L" else 1),
    )
    for wall in WALLS:
        surely, possibly = found[wall]
        assert surely - 0.1 <= truth[key].extents_mm[wall] <= possibly + 0.1, wall


@pytest.mark.parametrize("key", [("T12", "R"), ("L1", "L"), ("L3", "R")], ids="".join)
def test_medial_stays_medial_when_the_patient_is_mirrored(key, placed, vertebrae, truth):
    level, side = key
    vertebra = vertebrae[level]
    flip = np.array([-1.0, 1.0, 1.0])
    screw, axis = placed[key], vertebra.pedicle_axis(side)

    def mirrored(at):
        return vertebra.outer_distance(Coordinates(-at.x, at.y, at.z))

    other = "L" if side == "R" else "R"
    # The left-pointing normal of a mirrored vertebra: its mirror image points right.
    normal = -vertebra.frame.axes[:, 0] * flip
    line = ScrewLine(
        screw.entry * flip, screw.tip * flip, screw.plan.diameter_mm / 2, other, normal
    )
    pedicle = PedicleAxis(axis.isthmus * flip, axis.forward * flip)
    found = pedicle_extents(mirrored, line, pedicle_sections(mirrored, line, pedicle))
    for wall in WALLS:
        assert found[wall] == pytest.approx(truth[key].extents_mm[wall], abs=0.02)
    front = -vertebra.frame.axes[:, 1] * flip
    anterior = anterior_extent(mirrored, line, front)
    assert anterior == pytest.approx(truth[key].extents_mm["anterior"], abs=0.03)


def test_turning_the_patient_changes_no_extent(placed, vertebrae, truth):
    key = ("L1", "L")
    vertebra, screw = vertebrae["L1"], placed[key]
    axis = vertebra.pedicle_axis("L")
    a, b = np.radians(25.0), np.radians(-15.0)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]]) @ np.array(
        [[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]]
    )
    shift = np.array([31.0, -12.0, 240.0])

    def turned(at):
        points = np.stack(np.broadcast_arrays(*at), axis=1).astype(np.float64)
        return vertebra.outer_distance(coordinates_of((points - shift) @ turn))

    line = ScrewLine(
        turn @ screw.entry + shift,
        turn @ screw.tip + shift,
        screw.plan.diameter_mm / 2,
        "L",
        turn @ vertebra.frame.axes[:, 0],
    )
    pedicle = PedicleAxis(turn @ axis.isthmus + shift, turn @ axis.forward)
    found = pedicle_extents(turned, line, pedicle_sections(turned, line, pedicle))
    for wall in WALLS:
        assert found[wall] == pytest.approx(truth[key].extents_mm[wall], abs=0.02)


def test_the_anterior_extent_is_the_shortest_way_from_the_tip_to_bone(placed, vertebrae, truth):
    vertebra, screw = vertebrae["L3"], placed["L3", "R"]
    ticks = np.arange(-5.0, 5.01, 0.1)
    cube = np.stack(np.meshgrid(ticks, ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)
    bone = vertebra.outer_distance(coordinates_of(screw.tip + cube)) < 0
    nearest = np.linalg.norm(cube[bone], axis=1).min()
    assert truth["L3", "R"].extents_mm["anterior"] == pytest.approx(nearest, abs=0.1)


@pytest.mark.parametrize("level", ["T11", "T12", "L1", "L2", "L3", "L4"])
def test_sections_through_a_pedicle_are_many_and_its_isthmus_has_the_stated_size(
    level, placed, vertebrae
):
    vertebra = vertebrae[level]
    shape = shape_of(level)
    line = line_of(placed[level, "L"], vertebra)
    sections = pedicle_sections(vertebra.outer_distance, line, vertebra.pedicle_axis("L"))
    assert sections[-1].depth_mm - sections[0].depth_mm >= 8
    least = min(section.area_mm2 for section in sections)
    box = shape.pedicle_width_mm * shape.pedicle_height_mm
    # An ellipse fills pi/4 of its box; the pedicle is squarer than that and less than the box.
    assert np.pi / 4 * box < least < box
