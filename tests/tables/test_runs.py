"""Runs: the order of screws, the charts in plain Python, quarters and groups by definition."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from reports.charts.runs import difference_chart, group_chart, quarter_chart, sequential_chart
from reports.frame import frame
from reports.statistics.funnel import ALERT, funnel_limits
from reports.statistics.intervals import Interval
from reports.statistics.run_lengths import operations, simulated_limit
from reports.tables.rates import Question, rates
from reports.tables.run_words import beyond_words, group_lines, quarter_lines, step_lines
from reports.tables.runs import Setting, _in_order, run
from reports.tables.splits import Split
from tests.tables.units import a_screw, extents

FIRST = date(2025, 1, 7)


def a_year(operations=30, surgeon=1, start=0):
    """Return an operation of 2 to 6 screws every ten days; one screw in seven is breached."""
    rows = []
    for turn in range(operations):
        case = start + turn
        for place in range(2 + turn % 5):
            number = len(rows)
            rows.append(
                a_screw(
                    10_000 * surgeon + number,
                    surgeon=surgeon,
                    case_id=1000 * surgeon + case,
                    patient=f"P{surgeon}-{case}",
                    operated_on=FIRST + timedelta(days=10 * turn),
                    level=("L5", "L1", "T12")[place // 2],
                    side="RL"[place % 2],
                    extents_mm=extents(medial="3.0" if number % 7 == 3 else "0.0"),
                )
            )
    return rows


UNIT = frame(a_year())
EVERY = np.ones(len(UNIT), dtype=np.bool_)
CLUSTERING = rates(UNIT, Question()).unit
TARGET = float((UNIT["medial_mm"] >= 2).mean())
SETTING = Setting(TARGET, CLUSTERING, CLUSTERING.pooled_rho)
MADE = run(UNIT, Question(), EVERY, "the whole unit", SETTING)


def test_screws_stand_by_day_case_and_from_cranial_to_caudal():
    mixed = frame(
        [
            a_screw(1, case_id=2, level="S1", patient="B"),
            a_screw(2, case_id=2, level="T9", patient="B"),
            a_screw(3, case_id=2, level="T9", side="R", patient="B"),
            a_screw(4, case_id=1, level="L1", operated_on=date(2025, 3, 5), patient="A"),
            a_screw(5, case_id=3, level="L1", operated_on=date(2025, 3, 3), patient="C"),
            a_screw(6, case_id=3, level="C5", operated_on=date(2025, 3, 3), patient="C"),
            a_screw(7, case_id=7, level="C7", patient="D"),
        ]
    )
    ordered = _in_order(mixed, Question(), np.ones(7, dtype=np.bool_))
    assert list(ordered["screw_id"]) == [6, 5, 2, 3, 1, 7, 4]


def test_the_charts_are_their_definitions_in_plain_python():
    worse = better = difference = 0.0
    by_case = UNIT.groupby("case_id", sort=False)
    for step, (_, screws) in zip(MADE.steps, by_case, strict=True):
        events = [extent >= 2 for extent in screws["medial_mm"]]
        for ratio in (2.0, 0.5):
            score = sum(
                math.log((ratio if event else 1) / (1 - TARGET + ratio * TARGET))
                for event in events
            )
            if ratio > 1:
                worse = max(0.0, worse + score)
            else:
                better = max(0.0, better + score)
        difference += sum(events) - TARGET * len(events)
        assert (step.screws, step.breached) == (len(events), sum(events))
        assert step.worse == pytest.approx(worse, abs=1e-9)
        assert step.better == pytest.approx(better, abs=1e-9)
        assert step.difference == pytest.approx(difference, abs=1e-9)
    assert MADE.steps[-1].difference == pytest.approx(0, abs=1e-9)


def test_a_surgeon_at_doubled_odds_comes_to_the_limit_and_the_signal_is_said():
    assert MADE.worse.limit is not None
    assert MADE.worse.signals == ()
    # At the correlation handed in, for operations of the run's own sizes.
    sizes = operations(np.full(len(UNIT), TARGET), UNIT["case_id"].to_numpy(), 2.0)
    assert MADE.worse.limit == simulated_limit(sizes, CLUSTERING.pooled_rho, 5000.0)
    assert MADE.worse.limit.in_control_screws == pytest.approx(5000, rel=0.05)
    low = Setting(0.02, CLUSTERING, 0.05)
    found = run(UNIT, Question(), EVERY, "Anna Berg", low)
    signalled = found.worse.signals
    assert signalled
    assert found.steps[signalled[0] - 1].worse >= found.worse.limit.limit
    assert all(step.worse < found.worse.limit.limit for step in found.steps[: signalled[0] - 1])
    assert f"signal at operation {signalled[0]}" in " ".join(found.notes())


def test_too_few_operations_have_no_limit_and_a_unit_without_a_breach_no_run():
    few = run(UNIT, Question(end=FIRST + timedelta(days=60)), EVERY, "x", SETTING)
    assert len(few.steps) == 7
    assert few.worse.limit is None
    assert "fewer than ten operations" in " ".join(few.notes())
    assert run(UNIT, Question(), EVERY, "x", Setting(0.0, CLUSTERING, 0.1)).steps == ()
    assert run(UNIT, Question(), EVERY, "x", Setting(None, CLUSTERING, 0.1)).steps == ()
    assert run(UNIT, Question(), ~EVERY, "x", SETTING).steps == ()


def test_operations_with_a_late_grade_are_marked():
    late = [int(UNIT["screw_id"][40])]
    case = UNIT["case_id"][40]
    made = run(UNIT, Question(), EVERY, "x", SETTING, late)
    marked = [step.number for step in made.steps if step.is_late]
    assert marked == [1 + list(UNIT["case_id"].unique()).index(case)]
    assert "Marked as late: 1 of 30 operations." in made.notes()
    assert [line[0] for line in step_lines(made) if line[-1] == "late"] == [str(marked[0])]


def test_quarters_hold_the_digits_of_the_rates_between_the_funnels_limits():
    rows = rates(UNIT, Question(by=(Split.QUARTER,))).rows
    assert [quarter.row for quarter in MADE.quarters] == list(rows)
    first = MADE.quarters[0]
    assert first.limits_95.low <= first.row.rate <= first.limits_95.high
    assert beyond_words(replace(MADE, quarters=(first,))).startswith(
        "Quarters beyond their 95% limits: none, of 1;"
    )
    high = replace(first, limits_95=Interval(0.0, first.row.rate - 0.01))
    low = replace(first, limits_95=Interval(first.row.rate + 0.01, 1.0))
    name, told = first.name, beyond_words(replace(MADE, quarters=(high, low)))
    assert f"limits: {name} (above), {name} (below), of 2;" in told
    assert beyond_words(MADE) in MADE.notes()
    assert first.limits_95 == funnel_limits(TARGET, rows[0].effective, ALERT)
    share = rows[0].breached / rows[0].graded
    assert first.average == pytest.approx(0.2 * share + 0.8 * TARGET)
    assert [line[0] for line in quarter_lines(MADE)] == [row.stratum["quarter"] for row in rows]


def test_groups_are_successive_patients_whatever_the_first_day_asked():
    later = run(UNIT, Question(start=date(2025, 9, 1)), EVERY, "x", SETTING)
    assert [(group.first, group.last) for group in MADE.groups] == [(1, 20), (21, 30)]
    assert later.groups == MADE.groups
    assert sum(group.screws for group in MADE.groups) == len(UNIT)
    assert group_lines(MADE)[0][0] == "1 to 20"


def test_each_chart_says_its_numbers_in_words_and_is_the_same_each_time():
    for drawn in (difference_chart, sequential_chart, quarter_chart, group_chart):
        chart = drawn(MADE)
        assert chart == drawn(MADE)
        assert chart.svg.startswith("<svg")
        assert any(letter.isdigit() for letter in chart.alternative)
    assert MADE.worse.limit is not None
    assert f"limit {MADE.worse.limit.limit:.2f}" in sequential_chart(MADE).alternative


def test_the_json_has_every_operation():
    document = MADE.as_json()
    assert [each["number"] for each in document["operations"]] == list(range(1, 31))
    assert document["charts"][0]["limit"] == MADE.worse.limit.limit
    assert len(document["quarters"]) == len(MADE.quarters)
    assert len(document["groups"]) == 2
