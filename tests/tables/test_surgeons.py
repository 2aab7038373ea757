"""Surgeons beside one another: digits against the rates and plain sums, the shape, the words."""

from __future__ import annotations

import csv
import io
from datetime import date

import numpy as np
import pytest

from reports.charts.funnel import _label, _meet, alternative, funnel_chart
from reports.charts.style import figure
from reports.frame import frame
from reports.statistics.funnel import ALARM, ALERT, funnel_limits, widened_multiplicative
from reports.statistics.observed_expected import observed_over_expected
from reports.tables.rates import Question, rates
from reports.tables.splits import Split
from reports.tables.surgeon_table import Expectation, Position, SurgeonPoint, Widening
from reports.tables.surgeon_words import words_of
from reports.tables.surgeons import in_period, surgeons
from tests.tables.units import a_screw, extents


def a_unit(breached, screws=40, patients=10):
    """Return a unit in which each surgeon has so many breached screws, one a patient at first."""
    rows = [
        a_screw(
            1000 * surgeon + number,
            surgeon=surgeon,
            patient=f"P{surgeon}-{number % patients}",
            case_id=100 * surgeon + number % patients,
            number=1 + number // patients,
            operated_on=date(2025, 1 + number % patients, 3),
            extents_mm=extents(medial="2.4" if number < count else "0.0"),
        )
        for surgeon, count in enumerate(breached, start=1)
        for number in range(screws)
    ]
    return frame(rows)


NAMES = {1: "Cora", 2: "anna", 3: "Bodo", 4: "Dora"}
UNIT = a_unit([2, 3, 14, 1])
TABLE = surgeons(UNIT, Question(), NAMES)


def test_points_stand_by_name_and_hold_the_digits_of_the_rates():
    assert [point.code for point in TABLE.points] == ["anna", "Bodo", "Cora", "Dora"]
    rows = rates(UNIT, Question(by=(Split.SURGEON,)), labels=NAMES).rows
    for point, row in zip(TABLE.points, rows, strict=True):
        assert (point.patients, point.graded, point.breached) == (10, 40, row.breached)
        assert (point.rate.value, point.rate.low, point.rate.high) == (row.rate, row.low, row.high)
        assert point.effective == row.effective
        assert point.limits_95 == funnel_limits(20 / 160, row.effective, ALERT)
        assert point.limits_998 == funnel_limits(20 / 160, row.effective, ALARM)
        assert point.expected == pytest.approx(5.0)
        assert point.observed_over_expected == observed_over_expected(
            row.breached, point.expected, row.design_effect
        )
        own, target = row.rate, TABLE.target
        assert min(own, target) <= point.shrunken.value <= max(own, target)


def test_the_json_has_the_fixed_shape():
    document = TABLE.as_json()
    assert list(document) == ["target", "overdispersion", "points"]
    assert document["target"] == 0.125
    assert document["overdispersion"] == TABLE.spread.phi
    first = document["points"][0]
    assert list(first) == [
        *("code", "patients", "graded", "effective", "breached", "rate", "limits_95", "limits_998"),
        *("expected", "observed_over_expected", "shrunken"),
        *("patients_with_event", "patient_share"),
    ]
    assert list(first["rate"]) == ["value", "low", "high"]
    assert [len(first[name]) for name in ("limits_95", "limits_998")] == [2, 2]
    lines = list(csv.DictReader(io.StringIO(TABLE.as_csv())))
    assert [float(line["rate"]) for line in lines] == [p.rate.value for p in TABLE.points]
    shares = [row.patient_share for row in TABLE.rates.rows]
    assert {float(line["patient_share_high"]) for line in lines} == {each.high for each in shares}


def test_another_expectation_is_summed_over_the_graded_screws_of_the_period():
    shares = np.linspace(0.01, 0.3, len(UNIT))
    asked = Question(start=date(2025, 4, 1))
    table = surgeons(UNIT, asked, NAMES, expectation=Expectation(shares, "by a model"))
    inside = in_period(UNIT, asked)
    for person, name in NAMES.items():
        point = next(each for each in table.points if each.code == name)
        mine = [s for s, own, day in zip(shares, UNIT["surgeon"], inside, strict=True)
                if own == person and day]  # fmt: skip
        assert point.expected == pytest.approx(sum(mine))
        assert point.graded == len(mine)
    assert "by a model" in table.notes()


def test_below_the_minimum_there_are_counts_alone():
    table = surgeons(UNIT, Question(minimum=41), NAMES)
    assert table.spread is None
    for point in table.points:
        assert point.position is Position.NOT_DRAWN
        assert point.observed_over_expected.value is point.shrunken.value is None
        assert words_of(point)[-1] == "counts only"
    assert funnel_chart(table) is None


def test_lines_are_widened_only_where_ten_surgeons_tell_how_far_they_lie_apart():
    few = surgeons(UNIT, Question(), NAMES, widening=Widening.ADDITIVE)
    assert [p.limits_95 for p in few.points] == [p.limits_95 for p in TABLE.points]
    assert "too unsure to widen lines by" in " ".join(few.notes())
    many = a_unit([0, 1, 12, 2, 3, 13, 1, 0, 2, 14, 1])
    names = {person: f"S{person:02}" for person in range(1, 12)}
    plain = surgeons(many, Question(), names)
    assert "The lines are not widened for it." in " ".join(plain.notes())
    for widening in (Widening.MULTIPLICATIVE, Widening.ADDITIVE):
        wide = surgeons(many, Question(), names, widening=widening)
        assert f"widened for it, {widening}" in " ".join(wide.notes())
        for point, narrow in zip(wide.points, plain.points, strict=True):
            assert point.limits_95.high > narrow.limits_95.high
            if widening is Widening.MULTIPLICATIVE:
                assert point.limits_95 == widened_multiplicative(
                    narrow.limits_95, plain.target, plain.spread
                )
        assert funnel_chart(wide).svg != funnel_chart(plain).svg


def test_the_chart_and_its_words_name_no_order():
    chart = funnel_chart(TABLE)
    assert chart.svg.startswith("<svg")
    assert chart == funnel_chart(TABLE)
    assert "4 surgeons against the unit's rate of 12.5%" in chart.alternative
    assert f"1 {Position.ABOVE_998}" in alternative(TABLE)
    assert TABLE.points[1].position is Position.ABOVE_998  # 14 of 40
    words = " ".join([*TABLE.notes(), chart.alternative]).casefold()
    assert not [word for word in ("rank", "best", "worst", "outlier") if word in words]


def test_a_unit_without_a_breach_expects_nothing_and_draws_no_spread():
    table = surgeons(a_unit([0, 0]), Question(), NAMES)
    assert (table.target, table.spread) == (0.0, None)
    assert [point.observed_over_expected.value for point in table.points] == [None, None]
    assert all(point.shrunken.value is None for point in table.points)
    assert table.as_json()["overdispersion"] is None
    empty = surgeons(frame([]), Question(), {})
    assert (empty.target, empty.points) == (None, ())


def test_a_name_that_a_spreadsheet_would_run_is_made_harmless():
    table = surgeons(UNIT, Question(), NAMES | {1: "=1+1"})
    assert "'=1+1" in table.as_csv()
    assert SurgeonPoint("x", 0, 0, 0, 0, 0).position is Position.NOT_DRAWN


def test_no_label_is_struck_through_by_a_line_that_it_can_keep_clear_of():
    """A point under a level line: its label goes below, as the default place would meet it."""
    for line in ([(0.0, 0.108), (100.0, 0.108)], [(0.0, 0.2), (100.0, 0.05)]):
        _, axes = figure(8.6, 4.9)
        axes.set_xlim(0, 100)
        axes.set_ylim(0, 0.2)
        _label(axes, [(50.0, 0.1)], ["27C9B0"], [line])
        (text,) = axes.texts
        x, y = axes.transData.transform((50.0, 0.1)) * 72 / 100
        right, up = text.get_position()
        left = x + right if text.get_ha() == "left" else x + right - 6 * 5.3
        ends = axes.transData.transform(line) * 72 / 100
        slope = (ends[1, 1] - ends[0, 1]) / (ends[1, 0] - ends[0, 0])
        heights = [ends[0, 1] + slope * (at - ends[0, 0]) for at in (left, left + 6 * 5.3)]
        assert max(heights) < y + up or min(heights) > y + up + 8


def test_labels_of_the_chart_do_not_lie_on_one_another():
    """Points at nearly one place: the boxes of their labels, as placed, keep apart."""
    _, axes = figure(8.6, 4.9)
    axes.set_xlim(0, 100)
    axes.set_ylim(0, 0.2)
    places = [(50.0, 0.1), (51.0, 0.101), (50.5, 0.1)]
    _label(axes, places, ["27C9B0", "062695", "03409E"])
    boxes = []
    for (x, y), text in zip(axes.transData.transform(places) * 72 / 100, axes.texts, strict=True):
        right, up = text.get_position()
        left = x + right if text.get_ha() == "left" else x + right - 6 * 5.3
        boxes.append((left, y + up, left + 6 * 5.3, y + up + 8))
    for number, box in enumerate(boxes):
        assert not any(_meet(box, other) for other in boxes[:number])
    assert _meet((0, 0, 2, 1), (1, 0.5, 3, 2))
