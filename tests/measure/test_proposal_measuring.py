"""What the program measures by itself, on drawn scans whose truth is known by construction."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from demo_data.scenario.ct import study
from registry.domain.directions import BODY_WALLS, PEDICLE_WALLS, Direction, Side
from registry.measure.axes import ScrewAxis
from registry.measure.proposals.midplane import find_midplane, frame_of
from registry.measure.proposals.placed import Placed, measure_placed
from registry.measure.proposals.records import LoggedScrew, ProposedScrew


@cache
def _drawn() -> tuple[np.ndarray, np.ndarray]:
    """Return the demo's scan about one vertebra, and its affine from (i, j, k)."""
    voxels, affine = study.volume(11, levels=("L1",))
    return voxels, np.asarray(affine)[:, [2, 1, 0, 3]]


@cache
def _measured() -> tuple[tuple[ProposedScrew, study.DrawnScrew], ...]:
    voxels, affine = _drawn()
    drawn = [screw for screw in study.drawn_screws() if screw.level == "L1"]
    placed = [
        Placed(
            LoggedScrew(screw.level, Side(screw.side), 1, screw.diameter_mm, screw.length_mm),
            ScrewAxis(screw.entry_mm, screw.tip_mm),
            screw.diameter_mm,
            is_diameter_estimated=False,
        )
        for screw in drawn
    ]
    return tuple(zip(measure_placed(voxels, affine, placed), drawn, strict=True))


@pytest.mark.parametrize("number", range(2), ids=["L1 L", "L1 R"])
def test_pedicle_extents_are_those_that_were_drawn(number: int) -> None:
    found, true = _measured()[number]
    for wall in PEDICLE_WALLS:
        extent = found.extents[wall]
        assert extent.extent_mm == pytest.approx(true.extents_mm[wall], abs=0.6)
        assert abs(extent.extent_mm - true.extents_mm[wall]) <= 2.0 * extent.sd_mm


def test_no_wall_of_the_body_is_crossed_where_none_was_drawn_so() -> None:
    for found, _ in _measured():
        for wall in BODY_WALLS:
            assert found.extents[wall].extent_mm < 0.6


def test_convergence_is_within_a_degree_of_what_was_drawn() -> None:
    """The drawn vertebra turns by 1.6 degrees and leans, so the patient's own axes would not do."""
    for found, true in _measured():
        along = np.subtract(true.tip_mm, true.entry_mm)
        turn = np.radians(1.6)
        inwards = np.array([np.cos(turn), np.sin(turn), 0.0]) * (-1 if true.side == "L" else 1)
        drawn = np.degrees(np.arcsin(float(along @ inwards) / np.linalg.norm(along)))
        assert found.convergence_deg == pytest.approx(drawn, abs=1.5)


def test_every_outline_lies_in_the_sections_in_which_the_bone_closes() -> None:
    for found, _ in _measured():
        assert len(found.outlines) >= 6
        for points in found.outlines.values():
            assert 8 <= len(points) <= 24


def test_a_pedicle_that_is_not_there_is_not_measured_and_says_why() -> None:
    voxels = np.full((60, 120, 120), 50, dtype=np.int16)
    affine = np.diag([0.6, 0.6, 1.0, 1.0])
    axis = ScrewAxis((40.0, 60.0, 30.0), (36.0, 20.0, 30.0))
    placed = Placed(LoggedScrew("L3", Side.LEFT), axis, 6.0, is_diameter_estimated=True)
    (found,) = measure_placed(voxels, affine, [placed])
    assert not found.extents
    assert set(found.not_measured) == set(Direction)
    assert all(found.not_measured.values())
    assert found.convergence_deg is None


def test_the_midplane_of_a_turned_and_leaning_shape_is_found() -> None:
    """A shape that is its own mirror image, turned by known angles: truth by construction."""
    rng = np.random.default_rng(5)
    turn, lean, offset = np.radians(11.0), np.radians(-6.0), 4.2
    c, s = np.cos(turn), np.sin(turn)
    about_z = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    c, s = np.cos(lean), np.sin(lean)
    axes = about_z @ np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    grid = np.stack(np.meshgrid(*[np.arange(-45.0, 45.1, 1.5)] * 3, indexing="ij"), axis=-1)
    local = (grid - offset * axes[:, 0]) @ axes
    blobs = [(rng.uniform(-18, 18, 3), rng.uniform(4, 8)) for _ in range(14)]
    values = np.full(grid.shape[:3], 50.0)
    for middle, size in blobs:
        for sign in (1.0, -1.0):
            away = np.linalg.norm(local - middle * [sign, 1.0, 1.0], axis=-1)
            values = np.maximum(values, 50.0 + 800.0 * np.exp(-((away / size) ** 2)))
    voxels = np.rint(values + rng.normal(0.0, 20.0, values.shape)).astype(np.int16)
    affine = np.diag([1.5, 1.5, 1.5, 1.0])
    affine[:3, 3] = -45.0
    start = frame_of((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    found = find_midplane(voxels.transpose(2, 1, 0), affine, start)
    assert abs(float(found.axes[0] @ axes[:, 0])) >= np.cos(np.radians(1.0))
    assert found.midplane.distance_mm(offset * axes[:, 0]) == pytest.approx(0.0, abs=0.3)
    assert found.likeness > 0.8
