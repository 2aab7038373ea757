"""The invented unit in a ledger: loaded as any tables are, with rates that could be a unit's.

The spans are those of published series of the same kind; each stands beside its source. None of
their counts is copied into the unit.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from demo_data.scenario.unit import invent_unit
from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.count import count_rates
from registry.actions.initialise import initialise
from registry.actions.load_log import load_log
from registry.actions.load_readings import load_readings
from registry.actions.loading import TableFile
from registry.actions.replies import quarter_state
from registry.domain.directions import Direction
from reports.frame import Threshold
from reports.tables.rates import Question
from reports.tables.splits import Split

NOW = datetime(2026, 10, 1, 8, 0, tzinfo=UTC)
TODAY = date(2026, 12, 31)

# Breached of graded screws, at or beyond the threshold, in any direction of the pedicle.
LEE = (12, 306)  # freehand, thoracic and lumbar; Asian Spine J 8:237, 2014
SUMIYA_OPEN = (37, 383)  # open freehand, lumbosacral; BMC Musculoskelet Disord 21:168, 2020
SUMIYA_THROUGH_SKIN = (34, 383)  # percutaneous, the same patients and paper
TRIAL_FREEHAND = (38, 202)  # randomised, thoracolumbar; sygkzz.com, abstract 947
TRIAL_FREEHAND_2_MM = (16, 202)  # as above, 2 mm or more
HAN_FREEHAND_2_MM = (38, 584)  # J Neurosurg Spine 30:615, 2019; derived from printed percentages
SMITH = (37, 601)  # percutaneous, fluoroscopy, lumbar; J Spinal Disord Tech 27:358, 2014
WINDER = (25, 614)  # percutaneous, fluoroscopy, T2-S1; J Spine Surg, 2017
KIM_MC = (115, 488)  # percutaneous, lumbar; Eur Spine J 20:1635, 2011; sum of stated counts
RAJASEKARAN_FLUOROSCOPY = (54, 236)  # thoracic deformity; Spine 32:E56, 2007
RAJASEKARAN_NAVIGATION = (5, 242)  # as above
YOUKILIS = (19, 224)  # navigation, thoracic, 2000; derived, World J Orthop 5:112, tables 3-5
NOTTMEIER = (71, 951)  # navigation, T1-S1, 2009; derived, World J Orthop 5:112, tables 3-5
NAVIGATED_2_MM = (21, 2240)  # thoracolumbar, PMC8377205; derived from a printed percentage
NAVIGATED_UPPER_2_MM = (61, 1112)  # cervical and upper thoracic; J Clin Med 14:6597, 2025
BANSAL = (16, 193)  # freehand, thoracic, no deformity; Egyptian J Neurosurg, 2025
HEARY = (25, 185)  # thoracic; J Neurosurg Spine 100:325, 2004
MODI = (217, 689)  # freehand, thoracic, neuromuscular scoliosis; Eur Spine J 17:1686, 2008
LOW_LUMBAR_L4_2_MM = (9, 282)  # randomised, not navigated; "Necessity of intraoperative
# three-dimensional navigation for low lumbar spine", discovery.researcher.life; derived
LOW_LUMBAR_L5_2_MM = (22, 282)  # as above

ANY, TWO_MM = Threshold.ANY, Threshold.TWO_MM
SPANS = [
    (Split.GUIDANCE, "freehand", ANY, (LEE, SUMIYA_OPEN, TRIAL_FREEHAND)),
    (Split.GUIDANCE, "freehand", TWO_MM, (HAN_FREEHAND_2_MM, TRIAL_FREEHAND_2_MM)),
    (Split.GUIDANCE, "fluoroscopy", ANY, (WINDER, SMITH, RAJASEKARAN_FLUOROSCOPY)),
    (Split.GUIDANCE, "navigation", ANY, (RAJASEKARAN_NAVIGATION, NOTTMEIER, YOUKILIS)),
    (Split.GUIDANCE, "navigation", TWO_MM, (NAVIGATED_2_MM, NAVIGATED_UPPER_2_MM)),
    (Split.ENTRY_TECHNIQUE, "percutaneous", ANY, (SMITH, SUMIYA_THROUGH_SKIN, WINDER, KIM_MC)),
    (Split.REGION, "thoracic", ANY, (BANSAL, HEARY, RAJASEKARAN_FLUOROSCOPY, MODI)),
    (Split.REGION, "lumbar", ANY, (SMITH, SUMIYA_OPEN, KIM_MC)),
    (Split.REGION, "lumbar", TWO_MM, (LOW_LUMBAR_L4_2_MM, LOW_LUMBAR_L5_2_MM)),
]


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """Give a ledger with the unit's two tables, and what loading them said."""
    unit = invent_unit()
    ledger = initialise(tmp_path_factory.mktemp("unit") / "ledger", {}, NOW)
    shell = acting(ledger, None)
    how = {"new_persons": True, "today": TODAY, "now": NOW}
    log = load_log(ledger, shell, TableFile(unit.theatre_log_csv(), "log.csv"), **how)
    readings = load_readings(ledger, shell, TableFile(unit.readings_csv(), "r.csv"), **how)
    yield ledger, log, readings
    ledger.close()


def counted(ledger, by, threshold=TWO_MM, direction=None):
    question = Question(by=(by,) if by else (), threshold=threshold, direction=direction)
    table = count_rates(ledger, acting(ledger, None), question)
    return {row.stratum[by] if by else "all": row for row in table.rows}, table


def test_the_tables_load_whole_and_the_ledger_verifies(loaded):
    ledger, log, readings = loaded
    assert (log.new["cases"], log.new["screws"]) == (400, 3000)
    assert readings.new["readings"] == readings.rows
    assert check_ledger(ledger, acting(ledger, None)) == []


def test_nothing_of_the_last_quarter_waits_to_be_decided_and_something_of_others_does(loaded):
    ledger, shell = loaded[0], acting(loaded[0], None)
    last = quarter_state(ledger, shell, "2026Q3", NOW)
    assert last.provisional == []
    assert last.in_the_way == [
        "the unit seals it from 2026-10-31 on",
        "the right of reply has not been opened",
    ]
    others = [quarter_state(ledger, shell, period, NOW) for period in ("2026Q1", "2026Q2")]
    assert all(state.provisional for state in others)


def test_rules_of_the_trade_note_some_screws_and_not_most(loaded):
    _, log, _ = loaded
    assert 20 <= len(log.warnings) <= 500
    assert any("isthmus entry at the top of the construct" in line for line in log.warnings)


def test_most_screws_are_graded_and_some_have_no_ct(loaded):
    whole = counted(loaded[0], None)[0]["all"]
    assert 0.75 <= whole.graded / whole.placed <= 0.95
    assert whole.imaged < 0.96 * whole.placed
    assert whole.graded < whole.imaged
    assert whole.provisional > 0


def test_breaches_are_about_as_frequent_as_a_unit_with_routine_ct_would_see(loaded):
    """The spans by kind below have sources; for the whole unit: common practice, no source."""
    assert 0.12 <= counted(loaded[0], None, ANY)[0]["all"].rate <= 0.18
    assert 0.05 <= counted(loaded[0], None, TWO_MM)[0]["all"].rate <= 0.09


@pytest.mark.parametrize(
    ("by", "stratum", "threshold", "series"),
    SPANS,
    ids=[f"{stratum} {threshold}" for _, stratum, threshold, _ in SPANS],
)
def test_a_stratum_s_rate_lies_among_published_series_of_its_kind(
    loaded, by, stratum, threshold, series
):
    published = [breached / graded for breached, graded in series]
    row = counted(loaded[0], by, threshold)[0][stratum]
    assert row.graded >= 100
    assert min(published) <= row.rate <= max(published)


def test_the_middle_of_the_thoracic_spine_is_worse_than_its_lower_end(loaded):
    """Smorgick et al., J Spinal Disord Tech 18:522, 2005: T1-T8 worse than below."""
    by_level = counted(loaded[0], Split.LEVEL, ANY)[0]

    def rate(*levels):
        rows = [by_level[level] for level in levels]
        return sum(row.breached for row in rows) / sum(row.graded for row in rows)

    assert rate("T4", "T5", "T6", "T7") > 1.3 * rate("T10", "T11", "T12")


def test_thoracic_breaches_are_lateral_more_often_than_medial(loaded):
    """Heary 2004: 15 of 25 thoracic breaches lateral, 3 medial or caudal."""
    found = {
        wall: counted(loaded[0], Split.REGION, ANY, wall)[0]["thoracic"].breached
        for wall in (Direction.LATERAL, Direction.MEDIAL, Direction.CRANIAL, Direction.CAUDAL)
    }
    assert found[Direction.LATERAL] == max(found.values())
    assert found[Direction.LATERAL] > 1.5 * found[Direction.MEDIAL]


def test_screws_of_a_patient_are_alike_enough_to_widen_the_interval(loaded):
    whole = counted(loaded[0], None, ANY)[0]["all"]
    assert 1.3 <= whole.design_effect <= 4
