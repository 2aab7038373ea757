"""Groups compared: against plain counts, and what has to be said beside them."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from registry.domain.problems import BadInputError
from reports.charts.compare import comparison_chart
from reports.frame import Threshold, frame
from reports.statistics.clustered import UnitClustering
from reports.statistics.comparison import benjamini_hochberg, compare, holm
from reports.tables.compare import ComparisonQuestion, comparisons
from reports.tables.compare_asking import comparison_from, groups_in
from reports.tables.compare_words import notes, p_words, sentence, words_of_pair
from reports.tables.rates import Question
from reports.tables.splits import IntervalName, Split
from tests.tables.units import a_screw, extents

LEVELS = ("T5", "T6", "T7", "T8", "L1", "L2", "L3", "L4")
BY_TECHNIQUE = Question((Split.ENTRY_TECHNIQUE,))


def a_unit():
    """Return twelve patients: six with two techniques, three with each of two others alone.

    Of patient i the first i % 3 screws of the isthmus, and i % 2 of the rest, are breached.
    """
    rows = []
    for patient in range(12):
        for place, level in enumerate(LEVELS):
            is_isthmus = place < 4 if patient < 6 else patient < 9
            technique = "isthmus" if is_isthmus else "subfacet"
            technique = "in-out-in" if patient == 11 else technique
            bad = place % 4 < (patient % 3 if is_isthmus else patient % 2)
            rows.append(
                a_screw(
                    len(rows) + 1,
                    patient=f"P{patient:02}",
                    case_id=patient,
                    level=level,
                    operated_on=date(2025, 1 + patient, 3),
                    surgeon=1 + patient % 2,
                    entry_technique=technique,
                    extents_mm=extents(medial="2.5" if bad else "0.0"),
                )
            )
    return frame(rows)


def asked(*groups, counting=BY_TECHNIQUE, **how):
    return ComparisonQuestion(counting, groups, **how)


def test_two_groups_are_the_rates_of_a_table_and_the_difference_of_its_counts():
    table = comparisons(a_unit(), asked("isthmus", "subfacet", reference="subfacet"))
    (pair,) = table.pairs
    # Isthmus: 4 screws each of patients 0 to 5 and 8 each of 6 to 8; by hand.
    assert (pair.a.graded, pair.a.breached) == (48, 0 + 1 + 2 + 0 + 1 + 2 + 2 * (0 + 1 + 2))
    assert (pair.b.graded, pair.b.breached) == (40, 3 + 2 * (1 + 0))
    assert pair.shared_patients == 6
    sizes = [[4] * 6 + [8] * 3 + [0] * 2, [4] * 6 + [0] * 3 + [8] * 2]
    events = [[0, 1, 2, 0, 1, 2, 0, 2, 4, 0, 0], [0, 1, 0, 1, 0, 1, 0, 0, 0, 2, 0]]
    plain = compare((events[0], sizes[0]), (events[1], sizes[1]), table.unit)
    assert pair.compared == plain
    assert isinstance(table.unit, UnitClustering)
    document = table.as_json()
    assert list(document) == ["a", "b", "difference", "ratio", "method"]
    assert document["a"]["stratum"] == {"entry_technique": "isthmus"}
    assert document["difference"] == plain.difference.as_json()
    assert document["ratio"]["value"] == pytest.approx((12 / 48) / (5 / 40))
    assert "an association, not an effect" in document["method"]
    assert "(6 patients)" in document["method"]
    assert "90 to 94 of 100" in " ".join(table.notes())


def test_without_names_each_group_meets_the_largest_with_adjusted_p_values():
    table = comparisons(a_unit(), asked(counting=Question((Split.LEVEL,), minimum=1)))
    assert [pair.a.stratum[Split.LEVEL] for pair in table.pairs] == list(LEVELS[1:])
    alone = [pair.compared.p_value for pair in table.pairs]
    assert [pair.holm for pair in table.pairs] == holm(alone)
    assert [pair.benjamini_hochberg for pair in table.pairs] == benjamini_hochberg(alone)
    document = table.as_json()
    assert len(document["comparisons"]) == 7
    assert document["trends"][0]["group"] is None
    assert "Among 7 comparisons" in " ".join(table.notes())


def test_every_pair_is_compared_where_that_is_asked():
    table = comparisons(a_unit(), asked(counting=Question((Split.LEVEL,), minimum=1),
                                        is_all_pairs=True))  # fmt: skip
    assert len(table.pairs) == 28


def test_a_group_below_the_minimum_has_counts_and_no_comparison():
    table = comparisons(a_unit(), asked("in-out-in", "subfacet", reference="subfacet"))
    (pair,) = table.pairs
    assert (pair.a.graded, pair.a.rate, pair.compared) == (8, None, None)
    assert table.as_json()["difference"] == {"value": None, "low": None, "high": None}
    assert "too few graded screws, in-out-in (8)" in sentence(pair)
    assert words_of_pair(pair)[2:] == ["-"] * 7 + ["0"]
    assert "Below 10 graded screws" in " ".join(notes(table))
    assert "none can be told" in comparison_chart(table).alternative


def test_groups_are_named_in_any_spelling_and_a_wrong_one_with_those_there_are():
    table = comparisons(a_unit(), asked("In_Out_In", "SUBFACET"))
    assert [row.stratum[Split.ENTRY_TECHNIQUE] for row in table.rows] == ["in-out-in", "subfacet"]
    assert table.others == ("isthmus",)
    with pytest.raises(BadInputError, match=r"no screw is of 'moon'.*in-out-in, isthmus, subfacet"):
        comparisons(a_unit(), asked("moon", "subfacet"))


def test_the_sentence_says_which_way_and_whether_nought_lies_within():
    (pair,) = comparisons(a_unit(), asked("isthmus", "subfacet", reference="subfacet")).pairs
    told = sentence(pair)
    assert told.startswith("isthmus less subfacet: 25.0% (12 of 48) against 12.5% (5 of 40), 12.5")
    assert "points more" in told
    assert told.endswith("0 lies within the interval, the two may not differ.")
    assert comparison_chart(comparisons(a_unit(), asked("isthmus", "subfacet"))).alternative


def test_an_interval_without_nought_among_many_is_not_called_a_finding():
    table = comparisons(a_unit(), asked("isthmus", "subfacet", reference="subfacet"))
    (pair,) = table.pairs
    difference = replace(pair.compared.difference, value=0.2, low=0.1, high=0.3)
    clear = replace(pair, compared=replace(pair.compared, difference=difference))
    assert sentence(clear).endswith("): 0 lies outside the interval.")
    assert sentence(replace(clear, holm=0.04)).endswith("): 0 lies outside the interval.")
    assert sentence(replace(clear, holm=0.191)).endswith(
        "0 lies outside this one interval, but among so many comparisons it may be chance "
        "(Holm's p 0.191)."
    )


def test_the_trend_is_told_for_each_group_and_all_together():
    table = comparisons(a_unit(), asked("isthmus", "subfacet"))
    assert list(table.trends) == ["", "isthmus", "subfacet"]
    assert table.trends["isthmus"].quarters == 3
    by_quarter = comparisons(a_unit(), asked(counting=Question((Split.QUARTER,), minimum=1)))
    assert list(by_quarter.trends) == [""]


def test_persons_stand_in_the_order_of_their_labels_and_it_is_no_ranking():
    labels = {1: "Zoe", 2: "Abel"}
    table = comparisons(a_unit(), asked(counting=Question((Split.SURGEON,))), labels)
    assert [row.stratum[Split.SURGEON] for row in table.rows] == ["Abel", "Zoe"]
    assert "this is no ranking" in " ".join(table.notes())
    alike = {1: "Zoe", 2: "Zoe"}
    with pytest.raises(BadInputError, match="two persons have the same name"):
        comparisons(a_unit(), asked(counting=Question((Split.SURGEON,))), alike)


def test_the_period_limits_what_is_compared_and_not_what_is_pooled():
    end = date(2025, 12, 31)
    late = Question((Split.ENTRY_TECHNIQUE,), start=date(2025, 7, 1), end=end, minimum=0)
    table = comparisons(a_unit(), asked("isthmus", "subfacet", counting=late))
    assert {row.graded for row in table.rows} == {24, 16}
    assert table.unit.patients == 12


def test_nothing_to_compare_is_said_and_no_number_made_up():
    nothing = Question((Split.ENTRY_TECHNIQUE,), start=date(2030, 1, 1))
    table = comparisons(a_unit(), asked(counting=nothing))
    assert (table.rows, table.pairs, table.trends) == ((), (), {})
    assert table.as_json()["comparisons"] == []


@pytest.mark.parametrize(
    ("how", "told"),
    [
        ({"counting": Question()}, "give exactly one"),
        ({"counting": Question((Split.LEVEL, Split.SIDE))}, "give exactly one"),
        (
            {"counting": Question((Split.LEVEL,), interval=IntervalName.WILSON)},
            "patients as clusters",
        ),
        ({"counting": BY_TECHNIQUE, "groups": ("isthmus",)}, "alone compares with nothing"),
        ({"counting": BY_TECHNIQUE, "groups": ("isthmus", "Isthmus")}, "named twice"),
        (
            {"counting": BY_TECHNIQUE, "groups": ("a", "b"), "reference": "c"},
            "'c' is not compared",
        ),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused(how, told):
    with pytest.raises(BadInputError, match=told):
        ComparisonQuestion(**how)


def test_a_command_line_names_groups_with_commas_and_quotes():
    assert groups_in('isthmus, "other, thing",subfacet') == ("isthmus", "other, thing", "subfacet")
    made = comparison_from(
        {"by": "guidance", "threshold": "any"}, ["a", "b"], is_all_pairs=False, minimum=7
    )
    assert (made.reference, made.counting.minimum) == ("b", 7)
    assert made.counting.threshold is Threshold.ANY


def test_csv_holds_every_digit_and_no_formula():
    rows = a_unit()
    rows["entry_technique"] = rows["entry_technique"].replace("isthmus", "=1+1")
    text = comparisons(rows, asked("=1+1", "subfacet", reference="subfacet")).as_csv()
    heading, line = text.splitlines()
    assert line.startswith("'=1+1,")
    cells = dict(zip(heading.split(","), line.split(","), strict=True))
    assert float(cells["difference_value"]) == pytest.approx(0.125)
    assert Decimal(cells["shared_patients"]) == 6


def test_p_values_are_written_as_people_read_them():
    assert [p_words(p) for p in (None, 0.0004, 0.0305, 1.0)] == ["-", "< 0.001", "0.030", "1.000"]
