"""What marks come to, against closed forms: a round screw in a round cortex, straight walls.

A circle of radius r about (0, 0) in one of radius R about a middle c away stands out by
r + c - R on the far side; a straight wall at distance w is passed by r - w.
"""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from registry.actions.desk_angles import NO_ENDPLATE, NO_MIDPLANE, angles_of
from registry.actions.desk_marks import Bone, Calliper, FrontMarks, Marks
from registry.actions.desk_measure import Measured, measure_marks
from registry.actions.desk_screw import OpenedScrew, Placing
from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.domain.problems import BadInputError
from registry.domain.readings import Method
from registry.domain.settings import Settings
from registry.measure.axes import ScrewAxis
from tests.build.desk import RADIUS_MM, an_opened_screw, placed, ring, ring_marks

AWAY = {
    Direction.MEDIAL: (-1, 0, 0),
    Direction.LATERAL: (1, 0, 180),
    Direction.CRANIAL: (0, -1, 90),
    Direction.CAUDAL: (0, 1, 270),
}
LINE = tuple((2.0, v) for v in (-6.0, -3.0, 0.0, 3.0, 6.0))
"""A wall 2 mm medial of the axis: 1.25 mm of the screw stand beyond it."""
FLOOR = tuple((u, -2.5) for u in (-6.0, -3.0, 0.0, 3.0, 6.0))
"""A wall 2.5 mm caudal of the axis: 0.75 mm beyond it."""


def measured(
    marks: Marks,
    way: Method = Method.CONTOUR,
    screw: OpenedScrew | None = None,
    settings: Settings | None = None,
) -> Measured:
    return measure_marks(screw or an_opened_screw(), marks, way, settings or Settings())


@pytest.mark.parametrize("wall", PEDICLE_WALLS)
@pytest.mark.parametrize("side", list(Side))
def test_a_round_screw_in_a_round_cortex_stands_out_by_the_closed_form(wall: Direction, side: Side):
    u, v, bearing = AWAY[wall]
    found = measured(
        Marks(placed(side), ring_marks(4 * u, 4 * v).bones), screw=an_opened_screw(side=side)
    )
    assert found.faults == ()
    assert found.extents[wall].extent_mm == pytest.approx(RADIUS_MM + 4 - 5, abs=0.02)
    assert found.extents[wall].depth_mm == pytest.approx(10.0)
    assert {
        each: found.stored()[each] for each in PEDICLE_WALLS if each is not wall
    } == dict.fromkeys(set(PEDICLE_WALLS) - {wall}, Decimal("0.0"))
    assert found.bearing_deg is not None
    assert abs((float(found.bearing_deg) - bearing + 180) % 360 - 180) < 1.0
    assert (found.grade, found.missing_walls, found.isthmus_mm) == ("C", (), 10.0)
    line = found.extents[wall].line_mm
    assert line is not None
    assert math.dist(*line) == pytest.approx(found.extents[wall].extent_mm, abs=1e-6)


@pytest.mark.parametrize(
    ("away_mm", "stored", "grade", "is_near"),
    [
        (1.75, "0.0", "A", False),
        (2.0, "0.0", "A", False),
        (2.5, "0.8", "B", False),
        (3.7, "2.0", "C", True),
        (5.8, "4.1", "D", True),
        (8.0, "6.3", "E", False),
    ],
)
def test_extents_are_stored_in_tenths_and_graded_from_what_is_stored(
    away_mm: float, stored: str, grade: str, *, is_near: bool
):
    found = measured(ring_marks(-away_mm))
    assert found.extents[Direction.MEDIAL].stored_mm == Decimal(stored)
    assert (found.grade, found.is_near_cut_off) == (grade, is_near)
    assert (found.bearing_deg is None) == (stored == "0.0")


def test_an_unset_direction_is_not_measured_and_never_nought():
    found = measured(ring_marks(0.0))
    assert [wall for wall, value in found.stored().items() if value is None] == [
        Direction.ANTERIOR,
        Direction.BODY_LATERAL,
        Direction.ENDPLATE,
    ]
    nothing = measured(Marks(placed()))
    assert set(nothing.stored().values()) == {None}
    assert (nothing.grade, nothing.missing_walls) == (None, PEDICLE_WALLS)


def test_a_section_that_makes_no_outline_is_told_and_the_others_count():
    bones = dict(ring_marks(-4.0).bones[Bone.OUTLINE])
    bones[14.0] = bones[10.0][:3]
    found = measured(Marks(placed(), {Bone.OUTLINE: bones}))
    assert found.faults == ()
    assert [fault.line() for fault in found.unfinished] == [
        "section at 14.0 mm: 2 more marks make an outline"
    ]
    assert found.extents[Direction.MEDIAL].stored_mm == Decimal("2.3")


@pytest.mark.parametrize(
    ("depths", "is_enough"), [((10.0,), False), ((8.0, 10.0), False), ((8.0, 10.0, 12.0), True)]
)
def test_a_contour_has_no_grade_before_three_sections_are_marked(
    depths: tuple[float, ...], *, is_enough: bool
):
    rings = ring_marks(-4.0).bones[Bone.OUTLINE]
    found = measured(Marks(placed(), {Bone.OUTLINE: {depth: rings[depth] for depth in depths}}))
    assert (found.grade == "C") == is_enough
    assert (found.unfinished == ()) == is_enough
    assert (found.grade is None) != is_enough
    assert found.faults == ()


@pytest.mark.parametrize(
    ("radii", "note"),
    [
        ((5.2, 5.0, 5.2), None),
        ((5.0, 5.2, 5.4), "first: the pedicle may be narrower before it"),
        ((5.4, 5.2, 5.0), "last: the pedicle may be narrower behind it"),
    ],
)
def test_a_narrowest_section_at_either_end_of_the_marked_ones_is_told(
    radii: tuple[float, ...], note: str | None
):
    rings = {8.0 + 2 * at: ring(-4.0, radius=radius) for at, radius in enumerate(radii)}
    found = measured(Marks(placed(), {Bone.OUTLINE: rings}))
    told = [] if note is None else [f"the narrowest of the marked sections is the {note}"]
    assert list(found.notes) == told
    assert found.unfinished == ()
    assert found.grade is not None


def test_curves_are_drawn_where_marked_and_dashed_in_between():
    found = measured(ring_marks(-4.0))
    assert [(curve.depth_mm, curve.is_marked) for curve in found.curves] == [
        (8.0, True),
        (10.0, True),
        (12.0, True),
        (9.0, False),
        (11.0, False),
    ]
    marked = next(curve for curve in found.curves if curve.depth_mm == 10.0)
    assert [is_carried for is_carried, _ in marked.runs] == [False]
    for point in marked.runs[0][1]:
        assert math.dist(point, (-4.0, 0.0)) == pytest.approx(5.0, abs=0.02)


def test_the_arc_that_no_mark_is_near_is_drawn_as_carried_through():
    marks = tuple(mark for mark in ring(-4.0) if mark[0] < 0.0)
    found = measured(Marks(placed(), {Bone.OUTLINE: {10.0: marks}}))
    carried = [point for is_carried, run in found.curves[0].runs if is_carried for point in run]
    assert carried
    assert min(u for u, _ in carried) > -1.0
    assert found.extents[Direction.MEDIAL].sd_mm > Decimal("0.4")


def test_s1_is_measured_in_its_two_walls_and_graded_from_them():
    marks = Marks(placed(), {Bone.MEDIAL: {6.0: LINE}, Bone.CAUDAL: {6.0: FLOOR}})
    found = measured(marks, screw=an_opened_screw("S1"))
    assert found.extents[Direction.MEDIAL].extent_mm == pytest.approx(1.25, abs=0.01)
    assert found.extents[Direction.CAUDAL].extent_mm == pytest.approx(0.75, abs=0.01)
    assert found.grade == "B"
    assert found.stored()[Direction.LATERAL] is None
    only = measured(Marks(placed(), {Bone.MEDIAL: {6.0: LINE}}), screw=an_opened_screw("S1"))
    assert (only.grade, only.missing_walls) == (None, (Direction.CAUDAL,))


def test_a_calliper_measures_its_own_wall_and_leaves_the_others_open():
    lines = (
        Calliper(9.0, (1.0, 0.0), (3.25, 0.0)),
        Calliper(11.0, (0.25, 0.2), (3.25, 0.2)),
        Calliper(11.0, (0.0, -3.0), (0.0, -3.2)),
    )
    found = measured(Marks(placed(), callipers=lines), Method.CALLIPER)
    assert {wall: extent.stored_mm for wall, extent in found.extents.items()} == {
        Direction.MEDIAL: Decimal("3.0"),
        Direction.CAUDAL: Decimal("0.0"),
    }
    assert found.extents[Direction.MEDIAL].depth_mm == 11.0
    assert found.missing_walls == (Direction.LATERAL, Direction.CRANIAL)
    ticked = Marks(
        placed(), callipers=lines, contained=frozenset({Direction.LATERAL, Direction.CRANIAL})
    )
    assert measured(ticked, Method.CALLIPER).grade == "C"


@pytest.mark.parametrize(
    ("cortex", "edge"),
    [
        ((1.0, 0.0), (3.25, 0.0)),
        ((2.5, 0.0), (3.6, 0.0)),
        ((2.9, 0.0), (3.9, 0.0)),
        ((-0.5, 0.0), (3.0, 0.0)),
    ],
)
def test_a_line_measures_the_same_from_whichever_end_it_is_drawn(
    cortex: tuple[float, float], edge: tuple[float, float]
):
    for ends in ((cortex, edge), (edge, cortex)):
        found = measured(Marks(placed(), callipers=(Calliper(9.0, *ends),)), Method.CALLIPER)
        assert found.faults == ()
        assert list(found.extents) == [Direction.MEDIAL]
        extent = found.extents[Direction.MEDIAL]
        assert extent.extent_mm == pytest.approx(math.dist(cortex, edge))
        assert extent.line_mm == (cortex, edge)


def test_a_line_from_edge_to_edge_stands_as_it_is_drawn():
    # The cortex lies at the screw's near edge: only the drawing tells which way it stands out.
    for ends, wall in (
        (((-3.0, 0.0), (3.5, 0.0)), Direction.MEDIAL),
        (((3.5, 0.0), (-3.0, 0.0)), Direction.LATERAL),
    ):
        found = measured(Marks(placed(), callipers=(Calliper(9.0, *ends),)), Method.CALLIPER)
        assert list(found.extents) == [wall]


@pytest.mark.parametrize(
    "ends", [((0.5, 0.0), (1.7, 0.0)), ((6.0, 0.0), (4.8, 0.0)), ((1.0, 0.0), (5.0, 0.0))]
)
def test_a_line_with_no_end_near_the_circle_is_refused(ends: tuple[tuple[float, float], ...]):
    found = measured(Marks(placed(), callipers=(Calliper(9.0, *ends),)), Method.CALLIPER)
    assert [fault.what for fault in found.faults] == ["the line does not end at the screw's edge"]
    assert found.extents == {}


def test_a_wall_cannot_be_both_crossed_and_contained():
    marks = Marks(
        placed(),
        callipers=(Calliper(9.0, (1.0, 0.0), (3.25, 0.0)),),
        contained=frozenset({Direction.MEDIAL}),
    )
    found = measured(marks, Method.CALLIPER)
    assert [fault.where for fault in found.faults] == ["medial"]


def test_beside_a_contour_a_calliper_adds_only_what_was_left_open():
    line = (Calliper(9.0, (-1.0, 0.0), (-3.25, 0.0)),)
    ringed = measured(Marks(placed(), ring_marks(-4.0).bones, line))
    assert ringed.stored()[Direction.LATERAL] == Decimal("0.0")
    marks = Marks(placed(), {Bone.MEDIAL: {6.0: LINE}, Bone.CAUDAL: {6.0: FLOOR}}, line)
    sacral = measured(marks, screw=an_opened_screw("S1"))
    assert sacral.stored()[Direction.LATERAL] == Decimal("2.3")


def test_an_unknown_diameter_must_be_estimated_and_widens_the_uncertainty():
    unknown = an_opened_screw(diameter_mm=None)
    assert [fault.where for fault in measured(ring_marks(-4.0), screw=unknown).faults] == [
        "diameter"
    ]
    estimated = measured(ring_marks(-4.0, estimated_diameter_mm=6.5), screw=unknown)
    known = measured(ring_marks(-4.0, estimated_diameter_mm=9.0))
    assert estimated.stored() == known.stored()
    assert estimated.extents[Direction.MEDIAL].sd_mm > known.extents[Direction.MEDIAL].sd_mm


def test_the_walls_of_the_body_are_measured_and_enter_no_grade():
    flat = tuple((38.0, across) for across in (-6.0, -2.0, 2.0, 6.0))
    upper = tuple((u, 2.0) for u in (-6.0, -2.0, 2.0, 6.0))
    side = tuple((-3.0, v) for v in (-6.0, -2.0, 2.0, 6.0))
    marks = Marks(
        placed(),
        {
            **ring_marks(0.0).bones,
            Bone.UPPER_ENDPLATE: {30.0: upper},
            Bone.LOWER_ENDPLATE: {30.0: tuple((u, -9.0) for u, _ in upper)},
            Bone.BODY_LATERAL: {30.0: side},
        },
        front=FrontMarks("medial", flat),
    )
    found = measured(marks)
    assert found.extents[Direction.ANTERIOR].extent_mm == pytest.approx(2.0, abs=0.02)
    assert found.extents[Direction.ENDPLATE].extent_mm == pytest.approx(1.25, abs=0.02)
    assert found.extents[Direction.BODY_LATERAL].extent_mm == pytest.approx(0.25, abs=0.02)
    assert found.stored()[Direction.BODY_LATERAL] == Decimal("0.0")
    assert found.grade == "A"


def test_the_angle_needs_a_midplane():
    assert measured(ring_marks(0.0)).convergence_deg is None
    tilted = Placing(placed().axis, ((-5.0, -40.0, 0.0), (5.0, 16.7128, 0.0)))
    marks = Marks(tilted, ring_marks(0.0).bones)
    # The plane leans by atan(10 / 56.7128) = 10 degrees, towards the left behind.
    assert measured(marks).convergence_deg == Decimal("-10.0")


MIDPLANE = ((0.0, -40.0, 0.0), (0.0, 20.0, 0.0))
# Its front stands 30 tan 10 degrees higher than its back, which lies 30 mm behind.
RISING = ((0.0, -30.0, 5.2898), (0.0, 0.0, 0.0))


def test_the_sagittal_angle_is_against_the_endplate_as_it_was_set():
    axis = placed().axis
    # A level screw's tip is caudal of a plate that rises to the front; given back to front as well.
    for endplate in (RISING, RISING[::-1]):
        found = angles_of(Placing(axis, MIDPLANE, endplate))
        assert (found.sagittal_deg, found.why_no_sagittal) == (Decimal("-10.0"), "")
        assert measure_one(Placing(axis, MIDPLANE, endplate)).sagittal_deg == Decimal("-10.0")
    # Parallel to it, it is none: asin(d . n) with d along the plate.
    along = ScrewAxis((15.0, 10.0, 0.0), (15.0, -30.0, 40 * 5.2898 / 30))
    assert angles_of(Placing(along, MIDPLANE, RISING)).sagittal_deg == Decimal("0.0")


def test_without_midplane_or_endplate_the_angle_is_empty_and_says_why():
    axis = placed().axis
    without = angles_of(Placing(axis, MIDPLANE))
    assert (without.convergence_deg, without.why_no_convergence) == (Decimal("0.0"), "")
    assert (without.sagittal_deg, without.why_no_sagittal) == (None, NO_ENDPLATE)
    alone = angles_of(Placing(axis, None, RISING))
    assert (alone.sagittal_deg, alone.why_no_sagittal) == (None, NO_MIDPLANE)
    assert (alone.convergence_deg, alone.why_no_convergence) == (None, NO_MIDPLANE)


def measure_one(placing: Placing):
    return measured(Marks(placing, ring_marks(0.0).bones))


def test_only_marks_can_be_measured():
    for way in (Method.TYPED, Method.BY_EYE):
        with pytest.raises(BadInputError, match="contour or calliper"):
            measured(ring_marks(0.0), way)
