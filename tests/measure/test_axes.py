"""Axes, frames and transforms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain.directions import Side
from registry.domain.problems import BadInputError
from registry.measure.axes import (
    Midplane,
    ScrewAxis,
    along_to_patient,
    patient_to_along,
    patient_to_section,
    patient_to_voxel,
    section_frame,
    section_to_patient,
    voxel_to_patient,
)

RIGHT_SCREW = ScrewAxis((-22.0, 10.0, 4.0), (-10.0, -30.0, 0.0))

angles = st.floats(-35.0, 35.0)


def axis_of(right: float, down: float) -> ScrewAxis:
    a, b = np.deg2rad([right, down])
    forwards = np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), -np.sin(b)])
    return ScrewAxis((5.0, 6.0, 7.0), tuple(np.array([5.0, 6.0, 7.0]) + 40.0 * forwards))


def test_the_standards_worked_check_of_pixel_to_patient() -> None:
    # DICOM PS3.3 C.7.6.2.1.1: S (-100, -90, 5), X (0.8, 0.6, 0), Y (-0.6, 0.8, 0), Pixel Spacing
    # 0.5 (rows) and 0.3 (columns), i 10, j 20; by hand and by highdicom's
    # PixelToReferenceTransformer.
    affine = np.eye(4)
    affine[:3, 0] = np.array([0.8, 0.6, 0.0]) * 0.3
    affine[:3, 1] = np.array([-0.6, 0.8, 0.0]) * 0.5
    affine[:3, 3] = (-100.0, -90.0, 5.0)
    assert voxel_to_patient([10, 20, 0], affine) == pytest.approx((-103.6, -80.2, 5.0))
    assert patient_to_voxel([-103.6, -80.2, 5.0], affine) == pytest.approx((10, 20, 0))


def test_swapped_points_are_named() -> None:
    with pytest.raises(BadInputError, match="swapped"):
        ScrewAxis(RIGHT_SCREW.tip_mm, RIGHT_SCREW.entry_mm)
    swapped = ScrewAxis.through(RIGHT_SCREW.tip_mm, RIGHT_SCREW.entry_mm)
    assert swapped == RIGHT_SCREW


@pytest.mark.parametrize(
    ("tip", "words"),
    [
        ((0.0, -4.9, 0.0), "4.9 mm apart"),
        ((0.0, -151.0, 0.0), "151.0 mm apart"),
        ((0.0, float("nan"), 0.0), "finite"),
    ],
    ids=["short", "long", "not a number"],
)
def test_an_axis_that_is_no_screw_is_refused(tip: tuple, words: str) -> None:
    with pytest.raises(BadInputError, match=words):
        ScrewAxis((0.0, 0.0, 0.0), tip)


def test_a_screw_may_be_as_short_or_long_as_the_bounds() -> None:
    assert ScrewAxis((0, 0, 0), (0, -5, 0)).length_mm == 5.0
    assert ScrewAxis((0, 0, 0), (0, -150, 0)).length_mm == 150.0


def test_medial_is_to_the_left_for_a_screw_on_the_right() -> None:
    assert section_frame(RIGHT_SCREW, 0.0, Side.RIGHT).medial[0] > 0.9
    assert section_frame(RIGHT_SCREW, 0.0, Side.LEFT).medial[0] < -0.9


def test_the_midplane_decides_over_the_side_but_not_at_the_middle_itself() -> None:
    axis = ScrewAxis((-20.0, 0.0, 0.0), (5.0, -35.0, 0.0))
    midplane = Midplane((0.0, 0.0, 0.0), (-1.0, 0.0, 0.0))
    for depth in (0.0, axis.length_mm):  # the tip lies beyond the midplane
        assert section_frame(axis, depth, Side.LEFT, midplane).medial[0] > 0.7
    near = ScrewAxis((-0.5, 0.0, 0.0), (-0.5, -35.0, 0.0))
    assert section_frame(near, 0.0, Side.LEFT, midplane).medial[0] == pytest.approx(-1.0)


@given(right=angles, down=angles, side=st.sampled_from(Side), depth=st.floats(-5.0, 45.0))
def test_a_frame_is_orthonormal_and_its_cranial_points_up(
    right: float, down: float, side: Side, depth: float
) -> None:
    axis = axis_of(right, down)
    frame = section_frame(axis, depth, side)
    base = np.stack([frame.normal, frame.medial, frame.cranial])
    assert base @ base.T == pytest.approx(np.eye(3), abs=1e-9)
    assert frame.cranial[2] > 0.0
    assert frame.origin == pytest.approx(axis.at(depth))


@given(
    right=angles,
    down=angles,
    points=st.lists(st.tuples(st.floats(-20, 20), st.floats(-20, 20)), min_size=1, max_size=5),
)
def test_each_transform_undoes_its_inverse(right: float, down: float, points: list) -> None:
    axis = axis_of(right, down)
    frame = section_frame(axis, 12.0, Side.RIGHT)
    back = patient_to_section(section_to_patient(points, frame), frame)
    assert back == pytest.approx(np.array(points), abs=1e-9)
    along = patient_to_along(along_to_patient(points, axis, frame.cranial), axis, frame.cranial)
    assert along == pytest.approx(np.array(points), abs=1e-9)


def test_a_screw_at_right_angles_to_the_midplane_has_no_medial() -> None:
    axis = axis_of(0.0, 0.0)
    with pytest.raises(BadInputError, match="right angles"):
        section_frame(axis, 0.0, Side.LEFT, Midplane((0, 50, 0), (0, 1, 0)))


def test_cranial_is_the_same_rule_where_z_is_nothing() -> None:
    # A midplane on its side makes d x medial horizontal; then the side decides, as it would for
    # any screw that points forwards.
    axis = axis_of(0.0, 0.0)
    lying = Midplane((0.0, 0.0, 30.0), (0.0, 0.0, 1.0))
    right, left = (section_frame(axis, 0.0, side, lying) for side in (Side.RIGHT, Side.LEFT))
    assert right.cranial == pytest.approx(np.cross(right.normal, right.medial))
    assert left.cranial == pytest.approx(-np.cross(left.normal, left.medial))
