import csv
import io
import json
from dataclasses import replace
from datetime import date

import pytest

from registry.domain.directions import Direction
from registry.domain.problems import BadInputError
from reports.frame import frame
from reports.statistics.intervals import wilson
from reports.tables.rates import Question, rates
from reports.tables.splits import IntervalName, Split
from tests.published.worked_intervals import DEFAULT
from tests.tables.units import a_screw, extents

LABELS = {1: "Berg", 2: "adler", 3: "Chen", 4: "Dorn"}


def test_the_worked_surgeon_comes_out_of_rows_of_screws():
    # The example "surgeon in unit" of tests/published/worked_intervals.py, a screw a row.
    case = DEFAULT["surgeon in unit"]
    rows = []
    for surgeon, (sizes, events) in enumerate(case["unit_by_surgeon"], start=1):
        for patient, (size, breached) in enumerate(zip(sizes, events, strict=True)):
            rows += [
                a_screw(
                    1000 * surgeon + 50 * patient + number,
                    patient=f"{surgeon}-{patient}",
                    case_id=100 * surgeon + patient,
                    surgeon=surgeon,
                    number=number,
                    extents_mm=extents(caudal="2.0" if number < breached else "1.9"),
                )
                for number in range(size)
            ]
    table = rates(frame(rows), Question(by=(Split.SURGEON,)), labels=LABELS)
    assert [row.stratum[Split.SURGEON] for row in table.rows] == ["adler", "Berg", "Chen"]
    first = table.rows[1]
    assert (first.graded, first.breached, first.patients) == (case["n"], case["x"], case["K"])
    assert round(first.design_effect, 6) == case["deff"]
    assert first.df == case["df"]
    assert (round(first.low, 6), round(first.high, 6)) == (case["low"], case["high"])
    assert round(table.unit.pooled_rho, 6) == case["rho_p"]


def small_unit():
    """Twelve screws at L4 of two patients, three breached in one; two screws at T9, no scan."""
    rows = [
        a_screw(
            number,
            patient=f"P{number % 2}",
            case_id=number % 2,
            number=number,
            extents_mm=extents(medial="2.5" if number in {2, 4, 6} else "0.0"),
        )
        for number in range(1, 13)
    ]
    return rows + [
        a_screw(20 + number, case_id=0, patient="P0", level="T9", number=number, imaged=False,
                extents_mm={})
        for number in (1, 2)
    ]  # fmt: skip


def test_json_has_exactly_the_documented_shape():
    asked = Question(by=(Split.LEVEL,), interval=IntervalName.WILSON, end=date(2025, 12, 31))
    printed = json.loads(json.dumps(rates(frame(small_unit()), asked).as_json()))
    limits = wilson(3, 12)
    assert printed == {
        "by": ["level"],
        "threshold": "2",
        "direction": None,
        "from": None,
        "to": "2025-12-31",
        "interval": {"name": "wilson", "confidence": 0.95},
        "rows": [
            {
                "stratum": {"level": "T9"},
                "patients": 0,
                "patients_with_event": 0,
                "placed": 2,
                "imaged": 0,
                "graded": 0,
                "breached": 0,
                "rate": None,
                "low": None,
                "high": None,
                "design_effect": None,
                "df": None,
                "patient_share": {"value": None, "low": None, "high": None},
            },
            {
                "stratum": {"level": "L4"},
                "patients": 2,
                "patients_with_event": 1,
                "placed": 12,
                "imaged": 12,
                "graded": 12,
                "breached": 3,
                "rate": 0.25,
                "low": limits.low,
                "high": limits.high,
                "design_effect": 1.0,
                "df": None,
                "patient_share": {
                    "value": 0.5,
                    "low": pytest.approx(1 - 0.975**0.5),  # by hand: (1 - p)^2 = 1 - 0.025
                    "high": pytest.approx(0.975**0.5),
                },
            },
        ],
    }


@pytest.mark.parametrize(("minimum", "is_shown"), [(0, True), (12, True), (13, False)])
def test_below_the_minimum_counts_are_given_and_no_rate(minimum, is_shown):
    table = rates(frame(small_unit()), Question(minimum=minimum))
    (row,) = table.rows
    assert (row.graded, row.breached) == (12, 3)
    assert [value is not None for value in (row.rate, row.low, row.high)] == [is_shown] * 3
    assert ("Below 13 graded screws counts are given and no rate." in table.notes()) != is_shown


def test_both_ends_of_the_period_are_included():
    rows = [
        a_screw(day, case_id=day, patient=f"P{day}", operated_on=date(2025, 3, day))
        for day in range(1, 8)
    ]
    asked = Question(start=date(2025, 3, 2), end=date(2025, 3, 5))
    table = rates(frame(rows), asked)
    assert table.rows[0].placed == 4
    assert table.unit.patients == 5  # pooled from the beginning, up to the end


def test_pelvic_screws_stand_in_a_row_of_their_own_and_nowhere_else():
    rows = [a_screw(1), a_screw(2, level="ilium"), a_screw(3, level="S2 alar-iliac")]
    by_level = rates(frame(rows), Question(by=(Split.LEVEL,), minimum=0))
    assert [(row.stratum[Split.LEVEL], row.placed, row.graded) for row in by_level.rows] == [
        ("L4", 1, 1),
        ("S2 alar-iliac", 1, 0),
        ("ilium", 1, 0),
    ]
    for split in (Split.SIDE, Split.REGION, Split.GUIDANCE):
        table = rates(frame(rows), Question(by=(split,), minimum=0))
        assert [row.placed for row in table.rows] == [1]


@pytest.mark.parametrize(
    ("split", "field", "values", "order"),
    [
        (Split.LEVEL, "level", ["L1", "T10", "C7", "T9"], ["C7", "T9", "T10", "L1"]),
        (Split.REGION, "level", ["S1", "L1", "T9", "C7"],
         ["cervical", "thoracic", "lumbar", "sacral"]),
        (Split.INDICATION, "indication", ["tumour", None, "fracture"],
         ["fracture", "tumour", "not stated"]),
        (Split.SIDE, "side", ["R", "L"], ["L", "R"]),
        (Split.OPERATOR, "operator", [3, None, 1, 2], ["adler", "Berg", "Chen", "not stated"]),
    ],
)  # fmt: skip
def test_rows_stand_in_their_order(split, field, values, order):
    rows = [a_screw(number, number=number, **{field: value}) for number, value in enumerate(values)]
    table = rates(frame(rows), Question(by=(split,)), labels=LABELS)
    assert [row.stratum[split] for row in table.rows] == order


def test_diameters_stand_by_size():
    rows = [
        a_screw(number, number=number, diameter_mm=extents(medial=size)[Direction.MEDIAL])
        for number, size in enumerate(["10.0", "5.5", None, "6"])
    ]
    table = rates(frame(rows), Question(by=(Split.DIAMETER,)))
    assert [row.stratum[Split.DIAMETER] for row in table.rows] == [
        "5.5",
        "6.0",
        "10.0",
        "not stated",
    ]


def test_two_people_of_one_name_stay_two():
    rows = [a_screw(1), a_screw(2, case_id=2, surgeon=2)]
    table = rates(frame(rows), Question(by=(Split.SURGEON,)), labels={1: "Berg", 2: "Berg"})
    assert [row.placed for row in table.rows] == [1, 1]


def test_a_person_without_a_label_is_never_shown_by_number():
    with pytest.raises(ValueError, match="no label for person 1"):
        rates(frame([a_screw()]), Question(by=(Split.SURGEON,)))


def test_a_mask_of_another_length_is_refused():
    with pytest.raises(ValueError, match="for 1 screws"):
        rates(frame([a_screw()]), Question(), visible=[True, False])


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"by": (Split.LEVEL, Split.LEVEL)}, "by"),
        ({"by": (Split.LEVEL, Split.SIDE, Split.SURGEON)}, "by"),
        ({"start": date(2025, 2, 1), "end": date(2025, 1, 1)}, "from"),
        ({"minimum": -1}, "minimum"),
        ({"confidence": 1.0}, "confidence"),
    ],
)
def test_a_question_that_cannot_be_answered_says_where_it_is_wrong(wrong, where):
    with pytest.raises(BadInputError) as caught:
        Question(**wrong)
    (line,) = caught.value.lines()
    assert line.startswith(f"{where}: ")


def test_csv_holds_every_number_unrounded_and_leaves_the_undefined_empty():
    table = rates(frame(small_unit()), Question(by=(Split.LEVEL,)))
    first, second = csv.DictReader(io.StringIO(table.as_csv()))
    assert (first["level"], first["rate"], first["df"]) == ("T9", "", "")
    assert float(second["high"]) == table.rows[1].high
    assert float(second["pooled_rho"]) == table.unit.pooled_rho


def test_text_rows_read_as_a_table():
    table = rates(
        frame(small_unit()), Question(by=(Split.LEVEL, Split.SIDE), interval=IntervalName.WILSON)
    )
    assert table.text_rows() == [
        ["level", "side", "patients", "with a breach", "of patients %", "placed", "imaged",
         "graded", "breached", "rate %", "interval %", "mean of patients %", "design effect",
         "own correlation", "df"],
        ["T9", "L", "0", "0", "-", "2", "0", "0", "0", "-", "-", "-", "-", "-", "-"],
        ["L4", "L", "2", "1", "50.0; 1.3 to 98.7", "12", "12", "12", "3", "25.0",
         "8.9 to 53.2", "25.0", "1.00", "-", "-"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    "name", [name for name in IntervalName if name is not IntervalName.CLUSTERED]
)
def test_a_plain_interval_says_that_screws_were_treated_as_independent(name):
    table = rates(frame(small_unit()), Question(interval=name))
    assert any("screws treated as independent" in note for note in table.notes())
    assert any("this interval is too narrow" in note for note in table.notes())


def test_the_notes_tell_what_the_default_interval_rests_on():
    rows = [replace(row, provisional=row.screw_id == 3) for row in small_unit()]
    table = rates(
        frame(rows),
        Question(by=(Split.SURGEON,), start=date(2025, 1, 1), end=date(2025, 12, 31)),
        labels=LABELS,
    )
    assert table.notes() == [
        "Breach of 2 mm or more; operations from 2025-01-01 to 2025-12-31.",
        "95% interval: score interval on effective screws, patients as clusters.",
        (
            f"Correlation within patients used: {table.unit.pooled_rho:.3f}, from the unit's own "
            f"({table.unit.rho:.3f}; 2 patients, 1 with such a breach) and an assumed 0.10 worth "
            "25 patients."
        ),
        (
            "In simulated units this interval held the true rate about 94 times in 100 or more "
            "where 95 is said, but for rates of 2% where screws of a patient are much alike "
            "(correlation 0.30): there 93 times."
        ),
        (
            "Where a surgeon's own clustering cannot be seen, the interval assumes the unit's: for "
            "a surgeon whose patients cluster far more than the unit's it falls short, holding the "
            "rate in as few as 88 of 100 simulated units where it says 95."
        ),
        (
            "The share of patients with such a breach has an exact interval (Clopper-Pearson): "
            "patients are independent of one another."
        ),
        "Provisional, a second reading or an adjudication is owed: 1 graded screw.",
    ]
    # Seven or eight screws of five patients: DEVELOPERS.md, coverage of the default interval.
    few = rates(frame(unit_of_sizes((2, 1), (2, 0), (1, 0))), Question(minimum=0))
    assert any("in as few as 91 of 100" in note for note in few.notes())


def unit_of_sizes(*patients):
    """Return a row a screw of patients given as graded screws and breached ones."""
    return [
        a_screw(
            100 * patient + number,
            patient=f"P{patient}",
            case_id=patient,
            number=number,
            extents_mm=extents(medial="2.5" if number < breached else "0.0"),
        )
        for patient, (graded, breached) in enumerate(patients)
        for number in range(graded)
    ]


def test_where_patients_with_few_screws_fare_otherwise_the_table_says_so():
    # 40 patients of 2 screws, half of them breached, and 40 of 16 with none: 40/720, and the mean
    # of the patients' rates is 1/4, by hand.
    told = rates(frame(unit_of_sizes(*[(2, 1)] * 40, *[(16, 0)] * 40)), Question())
    (row,) = told.rows
    assert (row.rate, row.patient_mean) == (pytest.approx(40 / 720), pytest.approx(1 / 4))
    assert row.tells_another_story
    assert any("patients with few screws do not fare as" in note for note in told.notes())
    alike = rates(frame(unit_of_sizes(*[(2, 1)] * 5, *[(2, 0)] * 35, *[(8, 1)] * 9)), Question())
    assert not alike.rows[0].tells_another_story
    assert not any("do not fare as" in note for note in alike.notes())


def test_a_rows_own_correlation_is_shown_as_it_is_also_below_zero():
    # By hand: p = 1/4, between 0, within 4 x (1/4)(3/4) x 4 / 12, so rho = -1/3.
    table = rates(frame(unit_of_sizes((4, 1), (4, 1), (4, 1), (4, 1))), Question())
    assert table.rows[0].rho == pytest.approx(-1 / 3)
    assert table.text_rows()[1][-2] == "-0.333"
    nothing = rates(frame(unit_of_sizes((4, 0), (4, 0), (4, 0))), Question())
    assert nothing.rows[0].rho is None
    assert nothing.text_rows()[1][-2] == "-"


def test_a_text_that_a_spreadsheet_would_run_is_made_harmless_in_csv():
    # OWASP ASVS v5.0.0-1.2.10: a first character = + - @ tab or NUL gets an apostrophe before it.
    table = rates(
        frame([a_screw(1, indication='=HYPERLINK("x")')]), Question(by=(Split.INDICATION,))
    )
    line = table.as_csv().splitlines()[1]
    assert line.startswith("\"'=HYPERLINK(")
