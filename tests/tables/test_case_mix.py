"""Observed over expected by group, from a unit whose breaches depend on level and bone."""

import re
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from registry.domain.problems import BadInputError
from reports.charts.case_mix import calibration_chart, ratio_chart
from reports.frame import Event, Threshold, frame
from reports.statistics.case_mix import CaseMix, Refusal
from reports.statistics.observed_expected import observed_over_expected
from reports.tables.case_mix import case_mix_table
from reports.tables.case_mix_factors import expected_of, factors
from reports.tables.case_mix_words import (
    ADJUSTED,
    basis_words,
    expected_words,
    sentence,
    trust,
    words_of,
)
from reports.tables.rates import Question, rates
from reports.tables.splits import Split
from tests.tables.units import a_screw, extents

LEVELS = ("T6", "T7", "T11", "L1", "L4", "S1")


def a_unit(patients=150, seed=2, **also):
    """Return patients of two surgeons, the second with the harder levels; and `also` each."""
    rng = np.random.default_rng(seed)
    rows = []
    for patient in range(patients):
        is_second = patient % 2
        own = rng.normal(0, 0.4)
        for place, level in enumerate(LEVELS):
            if (is_second and place > 3) or (not is_second and place < 2):
                continue
            for side in "LR":
                odds = (-1.2 if level in {"T6", "T7"} else -2.9) + own
                bad = rng.random() < 1 / (1 + np.exp(-odds))
                rows.append(
                    a_screw(
                        len(rows) + 1,
                        patient=f"P{patient:03}",
                        case_id=patient,
                        level=level,
                        side=side,
                        operated_on=date(2025, 1, 1) + timedelta(days=2 * patient),
                        surgeon=1 + is_second,
                        entry_technique="isthmus" if place % 2 else "subfacet",
                        bone_quality=("normal", "osteoporosis", None)[patient % 3],
                        body_mass_index=(None, Decimal("24.9"), Decimal("25.0"))[patient % 3],
                        cobb_deg=Decimal("40.0") if patient % 5 == 0 else None,
                        revision=(True, False, None)[patient % 3],
                        extents_mm=extents(medial="2.5" if bad else "0.0"),
                    )
                    if not also
                    else a_screw(len(rows) + 1, patient=f"P{patient:03}", case_id=patient,
                                 level=level, side=side, **also)
                )  # fmt: skip
    return frame(rows)


UNIT = a_unit()


def test_the_quotient_is_of_the_rates_counts_and_the_models_sum():
    table = case_mix_table(UNIT, Question((Split.SURGEON,)), {1: "Abel", 2: "Zoe"})
    counted = rates(UNIT, Question((Split.SURGEON,)), labels={1: "Abel", 2: "Zoe"}).rows
    model, expected = expected_of(UNIT, Event())
    assert isinstance(model, CaseMix)
    assert sum(row.expected for row in table.rows) == pytest.approx(model.events)
    for number, (row, plain) in enumerate(zip(table.rows, counted, strict=True), start=1):
        own = float(expected[UNIT["surgeon"] == number].sum())
        assert (row.observed, row.graded) == (plain.breached, plain.graded)
        assert row.expected == pytest.approx(own)
        ratio = observed_over_expected(row.observed, own, plain.design_effect)
        assert (row.ratio.value, row.ratio.low, row.ratio.high) == pytest.approx(
            (ratio.value, ratio.low, ratio.high)
        )
    # The second surgeon's rate is higher for their levels alone, and so both are near 1.
    assert counted[1].rate > 1.5 * counted[0].rate
    assert all(0.8 < row.ratio.value < 1.2 for row in table.rows)


def test_what_the_surgeon_chooses_is_never_a_factor():
    names = [factor.name for factor in factors(UNIT)]
    assert names == ["level", "side of the curve", "bone quality", "Cobb angle in degrees",
                     "revision", "body mass index"]  # fmt: skip
    swapped = UNIT.assign(
        entry_technique="other", guidance="navigation", operator=UNIT["operator"].fillna(9),
        diameter_mm=9.5,
    )  # fmt: skip
    before, after = (expected_of(unit, Event())[1] for unit in (UNIT, swapped))
    assert after == pytest.approx(before)


def test_what_is_expected_names_the_factors_used_and_owns_a_model_that_tells_nothing():
    model, _ = expected_of(UNIT, Event())
    shares = dict.fromkeys(model.shares, 0.0) | {"level": 0.6}
    assert model.is_used
    for c, is_weak in ((0.52, True), (0.75, False)):
        told = expected_words(
            replace(model, shares=shares, discrimination=replace(model.discrimination, value=c))
        )
        assert "model of patient and pedicle (level), made" in told
        assert "so not used: bone quality, " in told
        assert ("little better than a coin" in told) == is_weak


def test_a_model_that_tells_no_better_than_chance_gives_way_to_the_overall_rate_and_says_so():
    # Seeds at which some factor keeps a share by chance, so that there is a model at all.
    for seed in range(1, 30):
        alike = UNIT.assign(
            medial_mm=np.where(np.random.default_rng(seed).random(len(UNIT)) < 0.1, 2.5, 0.0)
        )
        model, expected = expected_of(alike, Event())
        if isinstance(model, CaseMix):
            break
    assert not model.is_used
    assert model.discrimination.low <= 0.5
    table = case_mix_table(alike, Question((Split.SURGEON,)), {1: "Abel", 2: "Zoe"})
    whole = rates(alike, Question()).rows[0]
    unit_rate = whole.breached / whole.graded
    assert expected == pytest.approx(unit_rate)
    counted = rates(alike, Question((Split.SURGEON,)), labels={1: "Abel", 2: "Zoe"}).rows
    for row, plain in zip(table.rows, counted, strict=True):
        assert row.ratio.value == pytest.approx(plain.rate / unit_rate)
    assert table.as_json()["model"]["used"] is False
    assert table.notes()[1].startswith("Expected: the unit's overall rate for each screw, as its")
    assert ADJUSTED not in table.notes()
    assert "so the model is not used" in " ".join(trust(model))
    assert expected_words(model).startswith(table.notes()[1])
    assert basis_words(model) == "the unit's overall rate"


def test_what_is_not_stated_is_a_category_of_its_own():
    by_name = {factor.name: set(factor.values.tolist()) for factor in factors(UNIT)}  # noqa: PD011
    assert by_name["bone quality"] == {"normal", "osteoporosis", "not stated"}
    assert by_name["body mass index"] == {"not stated", "below 25", "25 to below 30"}
    assert by_name["Cobb angle in degrees"] == {"40 or more", "not stated"}
    assert by_name["revision"] == {"revision", "primary", "not stated"}
    assert by_name["level"] == {"T3 to T9", "T10 to T13", "L1 to L3", "L4 to L6", "S1"}
    assert by_name["side of the curve"] == {"no curve, or not stated"}


def test_screws_that_are_not_graded_have_no_expected_and_change_nothing():
    extra = frame([a_screw(90001, patient="P900", case_id=900, imaged=False, extents_mm={})])
    more = frame_of(UNIT, extra)
    expected = expected_of(more, Event())[1]
    assert np.isnan(expected[-1])
    assert expected[:-1] == pytest.approx(expected_of(UNIT, Event())[1])


def frame_of(*parts):
    return pd.concat(parts, ignore_index=True).astype(dict(parts[0].dtypes))


def test_a_unit_without_a_breach_has_no_model_and_says_why():
    contained = a_unit(patients=20, extents_mm=extents())
    table = case_mix_table(contained, Question((Split.SURGEON,)), {1: "Abel"})
    assert isinstance(table.model, Refusal)
    assert {row.expected for row in table.rows} == {0.0}
    assert words_of(table.rows[0])[3:6] == ["0.0", "-", "-"]
    assert "all outcomes are alike" in " ".join(table.notes())
    assert table.as_json()["model"] is None
    assert "all outcomes are alike" in table.as_json()["refused"]
    assert ratio_chart(table).alternative.endswith("none, nothing is expected.")


def test_few_breaches_are_refused_in_words_and_the_unit_s_rate_is_expected():
    unit = a_unit(patients=12)
    table = case_mix_table(unit, Question((Split.LEVEL,), minimum=0))
    assert isinstance(table.model, Refusal)
    assert "cannot carry a factor" in table.model.reason
    assert table.model.reason in table.notes()[1]
    assert "the unit's overall rate for each screw" in table.notes()[1]
    observed = sum(row.observed for row in table.rows)
    graded = sum(row.graded for row in table.rows)
    for row in table.rows:
        assert row.expected == pytest.approx(row.graded * observed / graded)
        assert row.ratio.value == pytest.approx(row.observed / row.expected)
        assert row.ratio.low <= row.ratio.value <= row.ratio.high
    assert "near 1 by making" not in " ".join(table.notes())


def test_an_empty_period_and_the_minimum_leave_no_quotient():
    late = Question((Split.SURGEON,), start=date(2030, 1, 1))
    assert case_mix_table(UNIT, late, {1: "Abel", 2: "Zoe"}).rows == ()
    much = Question((Split.SURGEON,), minimum=1000)
    table = case_mix_table(UNIT, much, {1: "Abel", 2: "Zoe"})
    assert {row.ratio.value for row in table.rows} == {None}
    assert "Below 1000 graded screws" in " ".join(table.notes())


def test_words_table_json_and_csv_hold_the_same_digits():
    table = case_mix_table(UNIT, Question((Split.ENTRY_TECHNIQUE,)))
    document = table.as_json()
    lines = table.as_csv().splitlines()
    assert lines[0].startswith("entry_technique,patients,graded,observed,expected")
    for row, told, line in zip(table.rows, document["rows"], lines[1:], strict=True):
        assert told["observed_over_expected"] == row.ratio.as_json()
        assert float(line.split(",")[4]) == row.expected
        assert f"{row.ratio.value:.2f} times" in sentence(row)
        assert f"{row.ratio.low:.2f} to {row.ratio.high:.2f}" in words_of(row)
    said = " ".join(trust(table.model))
    assert f"c statistic {document['model']['c_statistic']['value']:.2f}" in said
    assert f"slope: {document['model']['calibration_slope']['value']:.2f}" in said
    assert table.notes()[1] == ADJUSTED
    told = calibration_chart(table.model).alternative
    assert len(re.findall("expected", told)) == len(table.model.calibration.fifths) + 1


def test_persons_are_told_that_their_own_screws_are_in_the_model_and_never_singled_out():
    labels = {number: f"Surgeon {number:02}" for number in range(1, 7)}
    rows = UNIT.copy()
    rows["surgeon"] = 1 + np.arange(len(rows)) // 12 % 6
    rows["case_id"], rows["operated_on"] = rows.index, rows["operated_on"].iloc[0]
    table = case_mix_table(rows, Question((Split.SURGEON,), threshold=Threshold.ANY), labels)
    assert "own screws are part of what is expected" in " ".join(table.notes())
    assert "Surgeon" not in ratio_chart(table).alternative


@pytest.mark.parametrize("by", [(), (Split.LEVEL, Split.SIDE)])
def test_it_is_told_by_one_split(by):
    with pytest.raises(BadInputError, match="one split"):
        case_mix_table(UNIT, Question(by))
