from dataclasses import replace
from datetime import date
from decimal import Decimal

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry.domain.directions import Direction
from registry.domain.techniques import Intention, Life
from reports.frame import COLUMNS, Event, Intended, Threshold, check, frame, with_extents
from tests.tables.units import a_screw, extents, screws

ANY, TWO, FOUR = Threshold


def counted(event, **fields):
    """Return whether one screw is graded and whether it is breached."""
    table = frame([a_screw(**fields)])
    return bool(event.graded(table).all()), bool(event.breached(table).all())


@pytest.mark.parametrize(
    ("extent", "events"),
    [
        ("0.0", ()),
        ("0.1", (ANY,)),
        ("1.9", (ANY,)),
        ("2.0", (ANY, TWO)),
        ("3.9", (ANY, TWO)),
        ("4.0", (ANY, TWO, FOUR)),
        ("6.0", (ANY, TWO, FOUR)),
    ],
)
@pytest.mark.parametrize("wall", ["medial", "lateral", "cranial", "caudal"])
def test_a_threshold_is_reached_at_its_exact_millimetres(wall, extent, events):
    for threshold in Threshold:
        fields = {"extents_mm": extents(**{wall: extent})}
        assert counted(Event(threshold), **fields) == (True, threshold in events)
        assert counted(Event(threshold, Direction(wall)), **fields) == (True, threshold in events)


def test_the_greatest_of_the_four_walls_counts():
    screw = {"extents_mm": extents(medial="1.9", lateral="2.3", cranial="0.4")}
    assert counted(Event(TWO), **screw) == (True, True)
    assert counted(Event(TWO, Direction.MEDIAL), **screw) == (True, False)


@settings(deadline=None, max_examples=8, suppress_health_check=[HealthCheck.too_slow])
@given(rows=screws().filter(bool), data=st.data())
def test_other_extents_in_a_frame_are_the_frame_of_other_extents(rows, data):
    others = [data.draw(st.sampled_from(rows)).extents_mm if row.imaged else {} for row in rows]
    made = frame([replace(row, extents_mm=each) for row, each in zip(rows, others, strict=True)])
    pd.testing.assert_frame_equal(with_extents(frame(rows), others), made)


@pytest.mark.parametrize("wall", ["medial", "lateral", "cranial", "caudal"])
def test_a_screw_with_a_needed_wall_empty_has_no_grade(wall):
    table = frame([a_screw(extents_mm=extents(**{wall: None}, anterior="5.0"))])
    assert not table["graded"].any()
    assert table["partly_read"].all()
    assert not Event().breached(table).any()


def test_s1_needs_its_medial_and_caudal_walls_and_counts_others_where_read():
    two_walls = {
        "level": "S1",
        "extents_mm": {Direction.MEDIAL: Decimal("0.0"), Direction.CAUDAL: Decimal("0.0")},
    }
    assert counted(Event(ANY), **two_walls) == (True, False)
    assert counted(Event(ANY, Direction.LATERAL), **two_walls) == (False, False)
    with_lateral = two_walls | {"extents_mm": extents(lateral="2.4", cranial=None)}
    assert counted(Event(TWO), **with_lateral) == (True, True)
    assert counted(Event(TWO, Direction.LATERAL), **with_lateral) == (True, True)
    without_caudal = two_walls | {"extents_mm": extents(lateral="2.4", caudal=None)}
    assert counted(Event(TWO), **without_caudal) == (False, False)


@pytest.mark.parametrize("level", ["S2 alar-iliac", "ilium"])
def test_a_pelvic_screw_never_counts(level):
    for direction in (None, *Direction):
        event = Event(ANY, direction)
        assert counted(event, level=level, extents_mm=extents(medial="5.0", anterior="5.0")) == (
            False,
            False,
        )
    table = frame([a_screw(level=level)])
    assert not table["partly_read"].any()


@pytest.mark.parametrize("wall", ["anterior", "body_lateral", "endplate"])
def test_a_body_wall_counts_on_its_own_and_enters_no_pedicle_event(wall):
    screw = {"extents_mm": extents(**{wall: "4.5"})}
    assert counted(Event(ANY), **screw) == (True, False)
    assert counted(Event(FOUR, Direction(wall)), **screw) == (True, True)
    assert counted(Event(ANY, Direction(wall))) == (False, False)


@pytest.mark.parametrize(
    ("intention", "wall", "excused"),
    [
        (Intention.IN_OUT_IN, "lateral", True),
        (Intention.IN_OUT_IN, "medial", False),
        (Intention.IN_OUT_IN, "anterior", False),
        (Intention.BICORTICAL, "anterior", True),
        (Intention.BICORTICAL, "lateral", False),
        (Intention.BICORTICAL, "caudal", False),
        (None, "lateral", False),
        (None, "anterior", False),
    ],
)
def test_a_planned_exit_can_be_left_out_in_its_own_direction_alone(intention, wall, excused):
    screw = {"intention": intention, "extents_mm": extents(**{wall: "3.0"})}
    direction = Direction(wall)
    assert counted(Event(TWO, direction), **screw) == (True, True)
    left_out = Event(TWO, direction, Intended.EXCLUDE)
    assert counted(left_out, **screw) == (True, not excused)


def test_a_planned_exit_that_is_left_out_hides_no_other_wall():
    screw = {"intention": Intention.IN_OUT_IN, "extents_mm": extents(lateral="5.0", medial="2.0")}
    assert counted(Event(TWO, intended=Intended.EXCLUDE), **screw) == (True, True)
    assert counted(Event(FOUR, intended=Intended.EXCLUDE), **screw) == (True, False)


def test_a_planned_exit_that_was_not_measured_is_not_taken_for_zero():
    screw = {"intention": Intention.IN_OUT_IN, "extents_mm": extents(lateral=None)}
    event = Event(ANY, Direction.LATERAL, Intended.EXCLUDE)
    assert counted(event, **screw) == (False, False)
    assert event.extent_mm(frame([a_screw(**screw)])).isna().all()


@pytest.mark.parametrize("life", [Life.REMOVED, Life.RETAINED])
def test_a_screw_that_was_not_placed_is_refused(life):
    with pytest.raises(ValueError, match=f"screw 7 .* is {life}, not a placed screw"):
        frame([a_screw(7, life=life)])


def test_a_redirected_screw_is_one_placed_screw():
    assert len(frame([a_screw(life=Life.REDIRECTED)])) == 1


@pytest.mark.parametrize(
    ("rows", "fault"),
    [
        ([a_screw(1), a_screw(1, side="R")], "twice"),
        ([a_screw(1), a_screw(2)], "twice"),
        ([a_screw(1), a_screw(2, side="R", patient="P2")], "two patients, days or surgeons"),
        ([a_screw(1), a_screw(2, side="R", surgeon=2)], "two patients, days or surgeons"),
        (
            [a_screw(1), a_screw(2, side="R", operated_on=date(2025, 3, 5))],
            "two patients, days or surgeons",
        ),
        ([a_screw(imaged=False)], "without an audit scan"),
        ([a_screw(level="X1")], "at no level"),
        ([a_screw(side="left")], "on no side"),
        ([a_screw(extents_mm=extents(medial="-0.1"))], "whole tenths"),
        ([a_screw(extents_mm=extents(medial="0.15"))], "whole tenths"),
    ],
)
def test_rows_that_cannot_be_a_units_screws_are_refused(rows, fault):
    with pytest.raises(ValueError, match=fault):
        frame(rows)


def test_an_empty_ledger_has_every_column_in_its_kind():
    table = frame([])
    assert {name: str(kind) for name, kind in table.dtypes.items()} == COLUMNS
    assert len(table) == 0


def test_a_table_changed_by_hand_is_noticed():
    table = frame([a_screw()])
    check(table)
    with pytest.raises(ValueError, match="columns differ"):
        check(table.drop(columns="graded"))
    with pytest.raises(ValueError, match="columns differ"):
        check(table.assign(medial_mm=1))
    with pytest.raises(ValueError, match="not graded with them"):
        check(table.assign(graded=False))
    with pytest.raises(ValueError, match="below 0"):
        check(table.assign(endplate_mm=-1.0))
    with pytest.raises(ValueError, match="not counted"):
        check(table.assign(life="removed"))


@pytest.mark.parametrize(
    ("day", "quarter"),
    [
        (date(2026, 1, 1), "2026Q1"),
        (date(2026, 3, 31), "2026Q1"),
        (date(2026, 4, 1), "2026Q2"),
        (date(2026, 9, 30), "2026Q3"),
        (date(2026, 12, 31), "2026Q4"),
    ],
)
def test_a_quarter_is_that_of_the_day_of_operation(day, quarter):
    assert frame([a_screw(operated_on=day)])["quarter"].tolist() == [quarter]


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (Event(), "breach of 2 mm or more"),
        (Event(ANY), "any breach"),
        (Event(FOUR, Direction.MEDIAL), "medial breach of 4 mm or more"),
        (Event(ANY, Direction.BODY_LATERAL), "any lateral body wall breach"),
        (
            Event(TWO, Direction.ANTERIOR, Intended.EXCLUDE),
            "anterior breach of 2 mm or more, intended exits left out",
        ),
    ],
)
def test_an_event_is_said_in_plain_words(event, words):
    assert event.words() == words
