"""Rates against plain Python, on invented units: counts, intervals, who looks, and order."""

from collections import Counter
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.levels import LEVELS
from reports.frame import Intended, Threshold, frame
from reports.statistics.estimate import Estimate
from reports.tables.rates import Question, rates
from reports.tables.splits import IntervalName, Split
from tests.statistics.plain_default import default_interval
from tests.tables.units import screws

LABELS = {1: "Berg", 2: "adler", 3: "Chen", 4: "Dorn"}
LEVEL = {item.code: item for item in LEVELS}

questions = st.builds(
    Question,
    by=st.lists(st.sampled_from(Split), unique=True, max_size=2).map(tuple),
    start=st.none() | st.just(date(2025, 4, 1)),
    end=st.none() | st.just(date(2025, 9, 30)),
    threshold=st.sampled_from(Threshold),
    direction=st.none() | st.sampled_from(Direction),
    intended=st.sampled_from(Intended),
    interval=st.sampled_from(IntervalName),
    minimum=st.sampled_from([0, 1, 3, 10]),
)


COUNTS = (
    *("patients", "patients_with_event", "placed", "imaged", "graded", "breached"),
    "provisional",
)


def plain_event(row, question):
    """Return whether a row is graded and breached, by the written rules and plain Python."""
    there = {wall: extent for wall, extent in row.extents_mm.items() if extent is not None}
    needed = LEVEL[row.level].needed_walls
    if question.intended is Intended.EXCLUDE:
        planned = {"in-out-in": Direction.LATERAL, "bicortical": Direction.ANTERIOR}
        wall = planned.get(row.intention)
        there = {key: 0 if key is wall else extent for key, extent in there.items()}
    if question.direction is None:
        graded = bool(needed) and all(wall in there for wall in needed)
        extent = max((there[wall] for wall in PEDICLE_WALLS if wall in there), default=0)
    else:
        graded = bool(needed) and question.direction in there
        extent = there.get(question.direction, 0)
    limit = {Threshold.ANY: None, Threshold.TWO_MM: 2, Threshold.FOUR_MM: 4}[question.threshold]
    return graded, graded and (extent > 0 if limit is None else extent >= limit)


def plain_value(row, split):
    if split in {Split.SURGEON, Split.OPERATOR}:
        return LABELS.get(getattr(row, split.value), "not stated")
    if split is Split.REGION:
        return LEVEL[row.level].region.value
    if split is Split.QUARTER:
        return f"2025Q{(row.operated_on.month - 1) // 3 + 1}"
    if split is Split.DIAMETER:
        return "not stated" if row.diameter_mm is None else str(row.diameter_mm)
    return getattr(row, split.value) or "not stated"


def plain_rows(rows, question):
    """Return the screws of each stratum as (surgeon, patient, breached), and all its counts."""
    strata = {}
    for row in rows:
        if (question.start and row.operated_on < question.start) or (
            question.end and row.operated_on > question.end
        ):
            continue
        if Split.LEVEL not in question.by and not LEVEL[row.level].needed_walls:
            continue
        key = tuple(plain_value(row, split) for split in question.by)
        strata.setdefault(key, []).append(row)
    counted = {}
    for key, members in strata.items():
        graded = [row for row in members if plain_event(row, question)[0]]
        events = Counter(row.patient for row in graded if plain_event(row, question)[1])
        counted[key] = {
            "placed": len(members),
            "imaged": sum(row.imaged for row in members),
            "graded": len(graded),
            "breached": sum(events.values()),
            "patients": len({row.patient for row in graded}),
            "patients_with_event": len(events),
            "provisional": sum(row.provisional for row in graded),
        }
    return counted


@settings(deadline=None)
@given(screws(), questions)
def test_counts_are_those_of_plain_python(rows, question):
    table = rates(frame(rows), question, labels=LABELS)
    found = {
        tuple(row.stratum.values()): {name: getattr(row, name) for name in COUNTS}
        for row in table.rows
    }
    expected = plain_rows(rows, question)
    if not question.by and not expected:
        expected = {(): dict.fromkeys(COUNTS, 0)}
    assert found == expected
    for row in table.rows:
        is_shown = row.graded > 0 and row.graded >= question.minimum
        assert row.rate == (row.breached / row.graded if is_shown else None)
        assert (row.low is not None) == (row.high is not None) == is_shown
        share = row.patient_share
        if not is_shown:
            assert share == Estimate()
            continue
        x, n = row.patients_with_event, row.patients
        limits = binomtest(x, n).proportion_ci(question.confidence, "exact")  # scipy's own
        assert share.value == x / n
        assert (share.low, share.high) == pytest.approx((limits.low, limits.high), abs=1e-9)


@settings(deadline=None)
@given(screws(), questions)
def test_the_interval_is_that_of_the_stratum_in_its_whole_unit(rows, question):
    question = replace(question, interval=IntervalName.CLUSTERED, minimum=0)
    unit = [
        (row.surgeon, row.patient, plain_event(row, question)[1])
        for row in rows
        if plain_event(row, question)[0]
        and (question.end is None or row.operated_on <= question.end)
    ]
    for shown in rates(frame(rows), question, labels=LABELS).rows:
        if not shown.graded:
            continue
        stratum = [
            (row.surgeon, row.patient, plain_event(row, question)[1])
            for row in rows
            if plain_event(row, question)[0]
            and (question.start is None or row.operated_on >= question.start)
            and (question.end is None or row.operated_on <= question.end)
            and all(plain_value(row, split) == shown.stratum[split] for split in question.by)
        ]
        expected = default_interval(stratum, unit, 0.95)
        assert (shown.low, shown.high) == pytest.approx(
            (expected["low"], expected["high"]), abs=1e-8
        )
        assert shown.design_effect == pytest.approx(expected["deff"], abs=1e-9)
        assert shown.df == pytest.approx(expected["df"], abs=1e-9)


@settings(deadline=None)
@given(screws(), questions, st.sampled_from([1, 2, 3]))
def test_who_looks_changes_no_digit(rows, question, viewer):
    other = [split for split in question.by if split is not Split.SURGEON][:1]
    question = replace(question, by=(Split.SURGEON, *other))
    unit = frame(rows)
    everything = rates(unit, question, labels=LABELS)
    own = rates(unit, question, visible=[row.surgeon == viewer for row in rows], labels=LABELS)
    assert own.unit == everything.unit
    assert own.rows == tuple(
        row for row in everything.rows if row.stratum[Split.SURGEON] == LABELS[viewer]
    )


@settings(deadline=None)
@given(screws(), questions, st.randoms(use_true_random=False))
def test_the_order_of_screws_never_matters(rows, question, random):
    before = rates(frame(rows), question, labels=LABELS)
    after = rates(frame(random.sample(rows, len(rows))), question, labels=LABELS)
    assert after.text_rows() == before.text_rows()


@settings(deadline=None)
@given(screws(), questions)
def test_neither_the_start_nor_the_split_changes_what_is_pooled(rows, question):
    unit = frame(rows)
    pooled = rates(unit, question, labels=LABELS).unit
    assert rates(unit, replace(question, by=()), labels=LABELS).unit == pooled
    assert rates(unit, replace(question, start=None), labels=LABELS).unit == pooled
