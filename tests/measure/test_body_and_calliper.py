"""Body walls, the calliper, angles."""

from __future__ import annotations

import numpy as np
import pytest

from registry.domain.directions import Direction
from registry.domain.problems import BadInputError
from registry.measure.angles import convergence_deg, sagittal_deg
from registry.measure.axes import Midplane, ScrewAxis
from registry.measure.body import anterior_extent, body_lateral_extent, endplate_extent
from registry.measure.calliper import calliper_line
from registry.measure.walls import fit_wall

STRAIGHT = ScrewAxis((20.0, 0.0, 0.0), (20.0, -40.0, 0.0))
MEDIAL = (-1.0, 0.0, 0.0)


def front(depth: float, slope: float = 0.0) -> np.ndarray:
    across = np.linspace(-8, 8, 5)
    return np.column_stack([depth + slope * across, across])


@pytest.mark.parametrize(("depth", "expected"), [(35.0, 5.0), (39.5, 0.5), (40.5, 0.0)])
def test_a_tip_in_front_of_the_body_is_measured_at_right_angles(
    depth: float, expected: float
) -> None:
    found = anterior_extent(STRAIGHT, MEDIAL, front(depth))
    assert found.extent_mm == pytest.approx(expected, abs=0.01)


def test_at_a_slanting_front_the_tips_middle_is_measured_at_right_angles() -> None:
    turn = np.deg2rad(20.0)
    found = anterior_extent(STRAIGHT, MEDIAL, front(35.0, np.tan(turn)))
    assert found.extent_mm == pytest.approx(5.0 * np.cos(turn), abs=0.02)
    assert found.edge_mm == (40.0, 0.0)


def test_cortex_that_does_not_face_forwards_makes_no_anterior_extent() -> None:
    found = anterior_extent(STRAIGHT, MEDIAL, front(35.0, np.tan(np.deg2rad(50.0))))
    assert found.extent_mm == 0.0
    assert found.margin_mm is None


def test_a_tip_whose_middle_is_inside_makes_no_anterior_extent() -> None:
    # The corner alone stands out; the axis does not leave the body.
    found = anterior_extent(STRAIGHT, MEDIAL, front(40.4, np.tan(np.deg2rad(20.0))))
    assert found.extent_mm == 0.0


def test_the_bodys_side_and_its_endplates() -> None:
    v = np.linspace(-6, 6, 5)
    side = body_lateral_extent(3.0, {30.0: np.column_stack([np.full(5, -2.0), v])}, 40.0)
    assert side.extent_mm == pytest.approx(1.0, abs=0.01)
    assert side.bearing_deg == pytest.approx(180.0, abs=1.0)
    plate = np.column_stack([v, np.full(5, 2.2)])
    assert endplate_extent(3.0, {30.0: plate}, 40.0, "upper").extent_mm == pytest.approx(
        0.8, abs=0.01
    )
    assert endplate_extent(3.0, {30.0: -plate}, 40.0, "lower").extent_mm == pytest.approx(
        0.8, abs=0.01
    )


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        (front(35)[:2], "2 different marks"),
        (front(35) * [1, 0.05], "0.8 mm of the wall"),
        (np.vstack([front(35), [[30.0, 0.5]]]), "no smooth wall"),
        (np.array([[np.nan, 0.0]] * 3), "no finite place"),
    ],
    ids=["few", "narrow", "stray", "nan"],
)
def test_marks_that_make_no_wall_are_refused_in_words(marks: np.ndarray, words: str) -> None:
    with pytest.raises(BadInputError, match=words):
        fit_wall(marks, (0, 1))


def test_a_wall_follows_an_arc_and_goes_straight_on_beyond_its_marks() -> None:
    # The front of a body: radius 20, marked over 24 mm.
    across = np.linspace(-12, 12, 9)
    wall = fit_wall(np.column_stack([np.sqrt(400 - across**2), across]), (0, 1))
    assert wall.residual_mm < 0.1
    inner = np.column_stack([np.full(9, 0.0), np.zeros(9)])
    assert wall.stands_out_mm(inner) == pytest.approx(np.full(9, -20.0), abs=0.15)
    slope = np.diff(wall.out_mm)[:100]
    assert slope == pytest.approx(np.full(100, slope[0]))


def test_a_calliper_line_has_length_and_wall() -> None:
    line = calliper_line((0.0, -2.0), (-0.3, -5.2))
    assert line.length_mm == pytest.approx(np.hypot(0.3, 3.2))
    assert line.wall is Direction.CAUDAL
    assert line.bearing_deg == pytest.approx(264.64, abs=0.01)
    with pytest.raises(BadInputError, match=r"0\.00 mm long"):
        calliper_line((1.0, 1.0), (1.0, 1.0))


@pytest.mark.parametrize("sign", [1.0, -1.0], ids=["left", "right"])
@pytest.mark.parametrize("angle", [-12.0, 0.0, 25.0])
def test_convergence_is_positive_towards_the_midplane_on_both_sides(
    sign: float, angle: float
) -> None:
    turn = np.deg2rad(angle)
    tip = (sign * (20.0 - 40.0 * np.sin(turn)), -40.0 * np.cos(turn), 0.0)
    axis = ScrewAxis((sign * 20.0, 0.0, 0.0), tip)
    for normal in ((1.0, 0.0, 0.0), (-1.0, 0.0, 0.0)):
        assert convergence_deg(axis, Midplane((0, 0, 0), normal)) == pytest.approx(angle)


def test_sagittal_is_measured_against_the_vertebras_own_endplate() -> None:
    down = np.deg2rad(15.0)
    axis = ScrewAxis((20.0, 0, 0), (20.0, -40 * np.cos(down), -40 * np.sin(down)))
    assert sagittal_deg(axis, (0, 0, 1)) == pytest.approx(-15.0)
    # The endplate itself tilts 10 degrees down to the front.
    tilted = (0.0, -np.sin(np.deg2rad(10)), np.cos(np.deg2rad(10)))
    assert sagittal_deg(axis, tilted) == pytest.approx(-5.0)
    assert sagittal_deg(axis, [-number for number in tilted]) == pytest.approx(-5.0)


def test_without_midplane_or_endplate_the_angles_stay_empty() -> None:
    assert convergence_deg(STRAIGHT, None) is None
    assert sagittal_deg(STRAIGHT, None) is None
