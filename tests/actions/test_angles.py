"""Angles and sizes from a ledger's rows, against counts made by hand."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

import pytest

from registry.actions.accounts import acting
from registry.actions.angles import measure_angles
from registry.actions.count import count_rates
from registry.domain.access import Role
from registry.domain.problems import NotAllowedError
from registry.store.models.proposals import ProposalRow
from reports.tables.angles import ABOVE, BELOW, NO_RANGE, NOT_MEASURED, WITHIN
from reports.tables.rates import Question
from tests.build.loaded import an_account, load_reading_rows, load_rows

NOW = datetime(2026, 3, 21, 9, 0, tzinfo=UTC)
# Level, technique, diameter, length, medial mm, convergence. Usual at L4 10 to 25 (isthmus 0 to
# 25), at L2 5 to 15; in-out-in has no range; the last is measured by nobody.
SCREWS = [
    ("L4", "lateral intersection", "6.5", "45", "2.4", "4.0"),
    ("L4", "isthmus", "6.5", "45", "0", "4.0"),
    ("L2", "lateral intersection", "5.5", "40", "0", "15.0"),
    ("L2", "isthmus", "7.5", "50", "3.0", "20.0"),
    ("T9", "in-out-in", "4.4", "30", "0", "12.0"),
    ("L3", "isthmus", "", "", "0", ""),
]


@pytest.fixture
def unit(ledger):
    """Give six patients of one screw each, read once."""
    logged, read = [], []
    for number, (level, technique, diameter, length, medial, angle) in enumerate(SCREWS, start=1):
        place = {"case_ref": f"OP-{number}", "level": level}
        logged.append(
            place
            | {"patient_ref": f"H{number}", "operated_on": f"2026-03-0{number}",
               "entry_technique": technique, "diameter_mm": diameter, "length_mm": length}
        )  # fmt: skip
        read.append(
            place | {"medial_mm": medial, "read_on": "2026-03-20", "convergence_deg": angle}
        )
    load_rows(ledger, *logged)
    load_reading_rows(ledger, *read)
    return ledger


def measured(ledger, viewer=None, **question):
    asking = viewer or acting(ledger, None)
    return measure_angles(ledger, asking, Question(minimum=0, **question))


def counts(bands):
    return {band.name: (band.screws, band.events) for band in bands}


def test_each_band_is_the_hand_count(unit):
    found = measured(unit)
    tables = found.tables
    assert (found.by_readers, found.by_program) == (5, 0)
    assert counts(tables.convergence.breaches) == {
        BELOW: (1, 1),
        WITHIN: (2, 0),
        ABOVE: (1, 1),
        NO_RANGE: (1, 0),
        NOT_MEASURED: (1, 0),
    }
    assert counts(tables.convergence.techniques) == {
        "isthmus": (2, 1),
        "lateral intersection": (2, 1),
    }
    assert counts(tables.diameters) == {
        "under 4.5 mm": (1, 0),
        "5.5 to under 6.5 mm": (1, 0),
        "6.5 to under 7.5 mm": (2, 1),
        "7.5 mm and more": (1, 1),
        "not stated": (1, 0),
    }
    assert counts(tables.lengths)["45 to under 50 mm"] == (2, 1)
    assert [each.name for each in tables.convergence.levels] == [
        *("T9 in-out-in", "L2", "L2 isthmus", "L4", "L4 isthmus"),
    ]
    assert tables.sagittal.levels == ()
    assert counts(tables.sagittal.breaches) == {NOT_MEASURED: (6, 2)}
    # The period is that of the operations.
    found = measured(unit, start=date(2026, 3, 4), end=date(2026, 3, 5)).tables
    assert counts(found.convergence.breaches) == {ABOVE: (1, 1), NO_RANGE: (1, 0)}
    assert measured(unit, start=date(2030, 1, 1)).tables.diameters == ()


def test_all_bands_together_are_the_rate_with_its_interval_and_few_screws_have_none(unit):
    (row,) = count_rates(unit, acting(unit, None), Question(minimum=0)).rows
    (band,) = measured(unit).tables.sagittal.breaches
    assert (band.screws, band.events, band.patients) == (row.graded, row.breached, row.patients)
    assert (band.share.value, band.share.low, band.share.high) == (row.rate, row.low, row.high)
    # Few screws have counts and no share.
    found = measure_angles(unit, acting(unit, None), Question(minimum=2))
    shares = {band.name: band.share.value for band in found.tables.convergence.breaches}
    assert shares[WITHIN] == 0
    assert shares[BELOW] is None


def test_the_program_s_angle_stands_in_where_no_reader_has_one(unit):
    logged = {"level": "L3", "side": "L", "number": 1}
    screws = [{"logged": logged, "convergence_deg": 31.0, "sagittal_deg": 1.0}]
    with unit.writing(acting(unit, None), NOW) as work:
        work.insert(
            ProposalRow, "propose", scan_id=6, image_digest="0" * 64, log_digest="0" * 64,
            algorithm="1", made_at=NOW, document=json.dumps({"screws": screws}),
        )  # fmt: skip
    found = measured(unit)
    assert (found.by_readers, found.by_program) == (5, 1)
    assert counts(found.tables.convergence.breaches)[ABOVE] == (2, 1)
    assert [each.level for each in found.tables.sagittal.levels] == ["L3"]


def test_only_who_may_see_everybody_s_numbers_may_ask(unit):
    for role in (Role.REGISTRAR, Role.SURGEON, Role.STEWARD):
        with pytest.raises(NotAllowedError):
            measured(unit, an_account(unit, f"a {role}", role))
