"""What is missing, from a ledger's rows, against a count made by hand."""

from __future__ import annotations

from datetime import date

import pytest

from registry.actions.accounts import acting
from registry.actions.completeness import assumed_from, measure_completeness
from registry.domain.access import Role
from registry.domain.problems import BadInputError, NotAllowedError
from reports.frame import Threshold
from reports.tables.completeness import Gap
from reports.tables.completeness_words import assumed_rows
from reports.tables.rates import Question
from tests.build.filled_once import filled_once
from tests.build.loaded import an_account, load_reading_rows, load_rows

# By hand: eight placed, of which OP-1 and OP-4 have an audit scan (four screws), two are graded and
# one of these is breached. OP-3's one screw was read on a scan made for symptoms: 3 mm.
SCREWS = [("OP-1", "L4", ""), ("OP-1", "L5", ""), ("OP-2", "L4", "declined"),
          ("OP-2", "L5", "declined"), ("OP-3", "L3", ""), ("OP-4", "L1", ""), ("OP-4", "L2", ""),
          ("OP-5", "T9", ""), ("OP-5", "S2 alar-iliac", "")]  # fmt: skip
NOTHING = {"medial_mm": "", "lateral_mm": "", "cranial_mm": "", "caudal_mm": ""}
READINGS = [
    {"case_ref": "OP-1", "level": "L4", "medial_mm": "2.4"},
    {"case_ref": "OP-1", "level": "L5"},
    {"case_ref": "OP-3", "level": "L3", "medial_mm": "3.0", "scan_reason": "symptoms"},
    {"case_ref": "OP-4", "level": "L1", "assessable": "no", "reason": "artefact", **NOTHING},
    {"case_ref": "OP-4", "level": "L2", "caudal_mm": ""},
]


def logged(case, level, why):
    technique = "subfacet" if level == "T9" else "isthmus"
    number = case[-1]
    return {
        "case_ref": case,
        "patient_ref": f"H{number}",
        "operated_on": f"2026-03-0{number}",
        "surgeon": f"Surgeon {int(number) % 2}",
        "level": level,
        "entry_technique": "S2 alar-iliac" if level.startswith("S2") else technique,
        "no_ct_reason": why,
    }


@pytest.fixture
def unit(ledger):
    return fill_unit(ledger)


@filled_once
def fill_unit(ledger):
    load_rows(ledger, *(logged(*screw) for screw in SCREWS))
    load_reading_rows(ledger, *({"read_on": "2026-03-20", **row} for row in READINGS))
    return ledger


def measured(ledger, viewer=None, assumed=None, **question):
    asking = viewer or acting(ledger, None)
    return measure_completeness(ledger, asking, Question(minimum=0, **question), assumed)


def test_each_step_is_the_hand_count(unit):
    found = measured(unit)
    assert found.as_json() == {
        "placed": 8,
        "imaged": 4,
        "graded": 2,
        "second_read": 0,
        "adjudicated": 0,
        "rate": 0.5,
        "if_none_breached": 1 / 8,
        "if_all_breached": 7 / 8,
    }
    assert (found.read, found.partly_read, found.unread) == (4, 1, 0)
    assert found.not_assessable == (Gap("artefact", 1, 1),)
    assert found.unimaged == (
        Gap("no CT: declined", 2, 1),
        Gap("CT made for symptoms alone", 1, 1),
        Gap("no CT, reason not stated", 1, 1),
    )
    assert found.is_marked
    assert measured(unit, threshold=Threshold.FOUR_MM).if_none == 0
    assert measured(unit, threshold=Threshold.FOUR_MM).rate.value == 0


def test_every_rate_under_an_assumption_says_so_and_is_the_hand_count(unit):
    found = measured(unit, assumed=0.2)
    # Lumbar: 1 of 2 graded, five more; thoracic: none graded, so the rate of all graded. With the
    # screw found breached on its symptom scan: (1 + 1 + 4 x 1/2 + 1/2) / 8; 2 of 3; 2 of 8; and
    # 2 + 5 x 0.2 of 8.
    rates = [each.rate.value for each in found.assumed]
    assert rates == pytest.approx([0.5, (1 + 1 + 5 * 0.5) / 8, 2 / 3, 2 / 8, 3 / 8])
    assert [each.screws for each in found.assumed] == [8, 8, 3, 8, 8]
    for each in found.assumed:
        assert 0 <= each.rate.low < each.rate.value < each.rate.high <= 1
    said = " ".join(words for words, _, _ in assumed_rows(found))
    assert "too high" in said
    assert "too low" in said
    assert "20% are breached, as was asked" in said


def test_where_only_symptoms_were_scanned_nothing_is_made_up(unit):
    # On the day of OP-3's operation alone there is no audit scan.
    day = date(2026, 3, 3)
    found = measured(unit, start=day, end=day)
    assert (found.graded, found.rate.value) == (0, None)
    assert (found.if_none, found.if_all) == (0, 1)
    rows = assumed_rows(found)
    assert rows[0][1].startswith("not defined: no audit scan has been graded")
    nothing = measured(unit, start=date(2030, 1, 1))
    assert (nothing.placed, nothing.if_all, nothing.assumed) == (0, None, ())


def test_only_who_may_see_everybody_s_numbers_may_ask(unit):
    for role in (Role.REGISTRAR, Role.SURGEON, Role.STEWARD):
        with pytest.raises(NotAllowedError):
            measured(unit, an_account(unit, f"a {role}", role))


def test_what_is_assumed_is_said_in_per_cent():
    assert [assumed_from(text) for text in ("", " 5 ", "2.5%", "0")] == [None, 0.05, 0.025, 0.0]
    for text in ("many", "-1", "101", "nan"):
        with pytest.raises(BadInputError):
            assumed_from(text)
