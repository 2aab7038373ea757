"""Extents through closed and open walls, against closed forms and slow plain searches."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.domain.problems import BadInputError
from registry.measure.axes import (
    Midplane,
    ScrewAxis,
    patient_to_section,
    section_frame,
    section_to_patient,
)
from registry.measure.cortex import fit_curve
from registry.measure.extents import pedicle_extents, pedicle_sections, wall_of_bearing
from registry.measure.wall_extents import s1_extents


def ellipse(a: float, b: float, u: float = 0.0, v: float = 0.0, count: int = 24) -> np.ndarray:
    angles = np.arange(count) / count * 2 * np.pi
    return np.column_stack([u + a * np.cos(angles), v + b * np.sin(angles)])


def extents_of(radius: float, curve_marks: np.ndarray) -> dict[Direction, float]:
    found = pedicle_extents(radius, {5.0: fit_curve(curve_marks)})
    return {wall: extent.extent_mm for wall, extent in found.by_wall.items()}


@pytest.mark.parametrize(
    ("offset", "wall", "bearing"),
    [
        ((4.0, 0.0), Direction.MEDIAL, 0.0),
        ((0.0, 4.0), Direction.CRANIAL, 90.0),
        ((-4.0, 0.0), Direction.LATERAL, 180.0),
        ((0.0, -4.0), Direction.CAUDAL, 270.0),
    ],
    ids=["medial", "cranial", "lateral", "caudal"],
)
def test_a_circle_in_a_circle_has_the_extent_of_plain_geometry(
    offset: tuple, wall: Direction, bearing: float
) -> None:
    # Screw of radius 3, pedicle of radius 5, middles 4 apart: 4 + 3 - 5 = 2.
    found = pedicle_extents(3.0, {7.5: fit_curve(ellipse(5, 5, -offset[0], -offset[1]))})
    extent = found.by_wall[wall]
    assert extent.extent_mm == pytest.approx(2.0, abs=0.002)
    assert extent.depth_mm == 7.5
    assert (extent.bearing_deg - bearing + 180) % 360 - 180 == pytest.approx(0.0, abs=0.6)
    assert found.greatest == (wall, extent)
    opposite = PEDICLE_WALLS[(PEDICLE_WALLS.index(wall)) ^ 1]
    assert found.by_wall[opposite].extent_mm == 0.0


def test_a_contained_screw_has_no_extent_and_the_bone_left_is_told() -> None:
    found = pedicle_extents(2.5, {3.0: fit_curve(ellipse(4, 6, 0.5, 0.0))})
    assert all(extent.extent_mm == 0.0 for extent in found.by_wall.values())
    assert found.greatest is None
    # Ellipse from -3.5 to 4.5: 1 mm left at the lateral side, 2 mm at the medial.
    assert found.by_wall[Direction.LATERAL].margin_mm == pytest.approx(-1.0, abs=0.01)
    assert found.by_wall[Direction.MEDIAL].margin_mm == pytest.approx(-2.0, abs=0.01)


def test_a_diagonal_breach_shows_in_both_walls() -> None:
    found = extents_of(3.0, ellipse(5, 5, -2.8, -2.8))
    assert found[Direction.MEDIAL] == pytest.approx(np.hypot(2.8, 2.8) - 2.0, abs=0.01)
    assert found[Direction.CRANIAL] == pytest.approx(found[Direction.MEDIAL], abs=0.01)
    assert found[Direction.LATERAL] == found[Direction.CAUDAL] == 0.0


def test_a_screw_wholly_in_the_canal_is_a_medial_breach() -> None:
    # Middles 10 apart, radii 3 and 5: from 2 to 8 mm beyond the wall.
    found = extents_of(3.0, ellipse(5, 5, -10.0, 0.0))
    assert found[Direction.MEDIAL] == pytest.approx(8.0, abs=0.01)
    assert found[Direction.LATERAL] == found[Direction.CRANIAL] == found[Direction.CAUDAL] == 0.0


def slow_extents(
    radius: float, a: float, b: float, u: float, v: float, slack_deg: float
) -> dict[Direction, float]:
    """Search the ellipse itself, point by point; each wall's sector is wider by the slack."""
    t = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    curve = np.column_stack([u + a * np.cos(t), v + b * np.sin(t)])
    greatest = dict.fromkeys(PEDICLE_WALLS, 0.0)
    towards = dict(zip(PEDICLE_WALLS, (0.0, 180.0, 90.0, 270.0), strict=True))
    for angle in np.deg2rad(np.arange(0, 360, 0.5)):
        x, y = radius * np.cos(angle), radius * np.sin(angle)
        if ((x - u) / a) ** 2 + ((y - v) / b) ** 2 <= 1.0:
            continue
        gaps = (curve[:, 0] - x) ** 2 + (curve[:, 1] - y) ** 2
        nearest = curve[int(np.argmin(gaps))]
        across, up = x - nearest[0], y - nearest[1]
        bearing = np.rad2deg(np.arctan2(up, across))
        for wall, centre in towards.items():
            if abs((bearing - centre + 180.0) % 360.0 - 180.0) <= 45.0 + slack_deg:
                greatest[wall] = max(greatest[wall], float(np.hypot(across, up)))
    return greatest


@settings(max_examples=30, deadline=None)
@given(
    radius=st.floats(2.0, 4.0),
    a=st.floats(3.0, 8.0),
    b=st.floats(4.0, 8.0),
    u=st.floats(-9.0, 9.0),
    v=st.floats(-9.0, 9.0),
)
def test_extents_agree_with_a_slow_search_of_the_ellipse(
    radius: float, a: float, b: float, u: float, v: float
) -> None:
    quick = extents_of(radius, ellipse(a, b, u, v, count=40))
    # Where screw and cortex run side by side a hair's turn of the normal moves a long stretch of
    # the edge into the next wall: the answer lies between sectors a little narrower and wider, to
    # a third of the 0.3 mm below which an extent is stored as 0.
    surely, possibly = (slow_extents(radius, a, b, u, v, slack) for slack in (-2.0, 2.0))
    for wall in PEDICLE_WALLS:
        assert surely[wall] - 0.1 <= quick[wall] <= possibly[wall] + 0.1


def marks_in_patient(axis: ScrewAxis, side: Side, midplane: Midplane) -> dict[float, np.ndarray]:
    rng = np.random.default_rng(8)
    return {
        depth: section_to_patient(
            ellipse(4.4, 6.5, -2.0 + 0.1 * depth, 1.0, 14) + rng.normal(0, 0.1, (14, 2)),
            section_frame(axis, depth, side, midplane),
        )
        for depth in (4.0, 8.0, 12.0)
    }


def measured(axis: ScrewAxis, side: Side, midplane: Midplane, marks: dict) -> list[float]:
    sections = {
        depth: patient_to_section(points, section_frame(axis, depth, side, midplane))
        for depth, points in marks.items()
    }
    curves = {depth: fit_curve(marks) for depth, marks in sections.items()}
    found = pedicle_extents(3.25, curves, axis.length_mm).by_wall
    return [found[wall].extent_mm for wall in PEDICLE_WALLS]


AXIS = ScrewAxis((-21.0, 12.0, 3.0), (-9.0, -28.0, -4.0))
MIDPLANE = Midplane((1.0, 0.0, 0.0), (0.995, 0.0998, 0.0))


@settings(max_examples=25)
@given(turn=st.tuples(*[st.floats(-30.0, 30.0)] * 3), shift=st.tuples(*[st.floats(-90, 90)] * 3))
def test_turning_the_patient_changes_no_extent(turn: tuple, shift: tuple) -> None:
    marks = marks_in_patient(AXIS, Side.RIGHT, MIDPLANE)
    before = measured(AXIS, Side.RIGHT, MIDPLANE, marks)
    assert before[0] > 0.5
    matrix = Rotation.from_euler("xyz", turn, degrees=True).as_matrix()

    def moved(points) -> np.ndarray:
        return np.asarray(points) @ matrix.T + shift

    axis = ScrewAxis(tuple(moved(AXIS.entry_mm)), tuple(moved(AXIS.tip_mm)))
    midplane = Midplane(tuple(moved(MIDPLANE.point_mm)), tuple(matrix @ MIDPLANE.normal))
    after = measured(axis, Side.RIGHT, midplane, {key: moved(m) for key, m in marks.items()})
    assert after == pytest.approx(before, abs=1e-6)


def test_in_the_mirrored_patient_medial_stays_medial() -> None:
    marks = marks_in_patient(AXIS, Side.RIGHT, MIDPLANE)
    before = measured(AXIS, Side.RIGHT, MIDPLANE, marks)
    mirror = np.array([-1.0, 1.0, 1.0])
    axis = ScrewAxis(tuple(mirror * AXIS.entry_mm), tuple(mirror * AXIS.tip_mm))
    midplane = Midplane(tuple(mirror * MIDPLANE.point_mm), tuple(mirror * MIDPLANE.normal))
    after = measured(axis, Side.LEFT, midplane, {key: mirror * m for key, m in marks.items()})
    assert after == pytest.approx(before, abs=1e-9)
    assert max(before) == before[0] > 0.0


def test_the_pedicle_ends_where_its_area_exceeds_1_7_isthmuses() -> None:
    # Circles whose radius grows away from depth 8; 1.7 in area is 1.304 in radius.
    radii = {0.0: 8.0, 4.0: 6.0, 8.0: 5.0, 12.0: 6.0, 16.0: 8.0}
    found = pedicle_sections({d: fit_curve(ellipse(r, r)) for d, r in radii.items()})
    assert found.isthmus_mm == 8.0
    assert found.isthmus_area_mm2 == pytest.approx(25 * np.pi, rel=1e-4)
    # 6.52 lies 0.26 of the way from 6 to 8: 1.04 mm beyond depths 4 and 12.
    assert found.depths_mm[0] == 3.0
    assert found.depths_mm[-1] == 13.0
    assert max(np.diff(found.depths_mm)) <= 0.5
    assert found.widest_step_mm == 4.0


def test_a_breach_outside_the_pedicles_sections_does_not_count() -> None:
    curves = {
        0.0: fit_curve(ellipse(7, 7, -9.0, 0.0)),  # far off, twice the isthmus
        6.0: fit_curve(ellipse(5, 5)),
        10.0: fit_curve(ellipse(5, 5)),
    }
    assert pedicle_extents(3.0, curves).by_wall[Direction.MEDIAL].extent_mm < 8.0
    only = pedicle_extents(3.0, {depth: curves[depth] for depth in (6.0, 10.0)})
    assert only.by_wall[Direction.MEDIAL].extent_mm == 0.0


def test_a_screw_that_stops_short_has_no_extent_beyond_its_tip() -> None:
    curves = {4.0: fit_curve(ellipse(5, 5)), 12.0: fit_curve(ellipse(5, 5, -4.0, 0.0))}
    whole = pedicle_extents(3.0, curves, 40.0)
    short = pedicle_extents(3.0, curves, 8.0)
    assert whole.by_wall[Direction.MEDIAL].extent_mm == pytest.approx(2.0, abs=0.01)
    assert short.by_wall[Direction.MEDIAL].extent_mm == 0.0
    assert short.last_depth_mm == 8.0
    with pytest.raises(BadInputError, match="reaches none"):
        pedicle_extents(3.0, curves, 3.0)


def test_extents_grow_evenly_between_two_marked_depths() -> None:
    curves = {4.0: fit_curve(ellipse(5, 5, -2, 0)), 8.0: fit_curve(ellipse(5, 5, -6, 0))}
    for length, expected in ((5.0, 1.0), (6.0, 2.0), (7.0, 3.0)):
        found = pedicle_extents(3.0, curves, length).by_wall[Direction.MEDIAL]
        assert found.extent_mm == pytest.approx(expected, abs=0.01)
        assert found.depth_mm == length


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: pedicle_sections({}), "no section"),
        (lambda: pedicle_extents(0.5, {1.0: fit_curve(ellipse(5, 5))}), "1 mm diameter"),
        (lambda: s1_extents(3.0, {}, {}), "neither wall"),
        (lambda: s1_extents(3.0, {20.0: line_marks(2, 0)}, {}), "where the screw is"),
    ],
    ids=["nothing marked", "no screw", "no wall", "too deep"],
)
def test_what_cannot_be_measured_is_said(call, words: str) -> None:
    with pytest.raises(BadInputError, match=words):
        call()


@pytest.mark.parametrize(
    ("bearing", "wall"),
    [(0, "medial"), (44.9, "medial"), (45, "cranial"), (134.9, "cranial"), (135, "lateral"),
     (224.9, "lateral"), (225, "caudal"), (314.9, "caudal"), (315, "medial"), (360, "medial")],
)  # fmt: skip
def test_a_bearing_names_its_wall(bearing: float, wall: str) -> None:
    assert wall_of_bearing(bearing) == wall


def line_marks(u: float, slope: float) -> np.ndarray:
    """Return marks of a medial wall that stands at u for v = 0."""
    v = np.linspace(-6, 6, 5)
    return np.column_stack([u + slope * v, v])


def test_s1_is_measured_at_the_canal_and_the_foramen_over_fourteen_millimetres() -> None:
    # The canal's wall comes nearer: u = 4 at 10 mm, 0 at 18 mm, so 2 at 14 mm: 3 - 2 = 1 beyond.
    caudal = np.column_stack([np.linspace(-5, 5, 4), np.full(4, -1.0)])
    found = s1_extents(3.0, {10.0: line_marks(4, 0), 18.0: line_marks(0, 0)}, {6.0: caudal})
    medial, below = (found.by_wall[wall] for wall in (Direction.MEDIAL, Direction.CAUDAL))
    assert set(found.by_wall) == {Direction.MEDIAL, Direction.CAUDAL}
    assert medial.extent_mm == pytest.approx(1.0, abs=0.01)
    assert medial.depth_mm == 14.0
    assert below.extent_mm == pytest.approx(2.0, abs=0.01)
    assert below.bearing_deg == pytest.approx(270.0, abs=1.0)


def test_at_s1_a_wall_without_marks_is_not_measured_rather_than_0() -> None:
    found = s1_extents(3.0, {5.0: line_marks(4, 0)}, {})
    assert set(found.by_wall) == {Direction.MEDIAL}
    assert found.by_wall[Direction.MEDIAL].margin_mm == pytest.approx(-1.0, abs=0.01)


@given(slope=st.floats(-0.8, 0.8), u=st.floats(-3.0, 5.0), order=st.permutations(range(5)))
def test_a_slanting_wall_is_measured_at_right_angles(slope: float, u: float, order) -> None:
    # Distance of the circle's far side from the line u + slope v: closed form.
    found = s1_extents(3.0, {5.0: line_marks(u, slope)[order]}, {}).by_wall[Direction.MEDIAL]
    assert found.margin_mm == pytest.approx(3.0 - u / np.hypot(1, slope), abs=0.01)
