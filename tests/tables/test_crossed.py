"""Crossed rates: places in order, the keys that lead to their screws, and what is said of them."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import numpy as np
import pytest

from registry.domain.directions import PEDICLE_WALLS
from reports.frame import ScrewRow, frame
from reports.tables.crossed import crossed, sums_asked
from reports.tables.rates import Question, asked_screws, rates
from reports.tables.splits import Split, is_of, strata

LABELS = {1: "Anna Berg", 2: "Anna Berg", 3: "Bodo Carl"}
LEVELS = ("S1", "T4", "L5", "C7", "ilium")


def unit():
    """Return screws that differ in every split, some of which state nothing."""
    rows = []
    for number in range(60):
        level = LEVELS[number % 5]
        rows.append(
            ScrewRow(
                screw_id=number, patient=f"P{number}", case_id=number,
                operated_on=date(2026, 1 + number % 7, 3), level=level, side="LR"[number % 2],
                number=1, entry_technique=("isthmus", "other words")[number % 2],
                guidance="freehand", surgeon=1 + number % 3,
                operator=(None, 2, 3)[number % 3],
                indication=(None, "trauma", "not stated")[number // 4 % 3],
                diameter_mm=(None, Decimal("6.5"), Decimal("10.0"))[number // 3 % 3],
                imaged=True,
                extents_mm={wall: Decimal(3 * (number % 4 == 0)) for wall in PEDICLE_WALLS},
            )
        )  # fmt: skip
    return frame(rows)


def laid_out(question):
    table = unit()
    made = [rates(table, each, labels=LABELS) for each in (question, *sums_asked(question))]
    return crossed(made[0], (made[1], made[2], made[3]))


@pytest.mark.parametrize("split", list(Split))
def test_the_key_of_each_value_finds_the_screws_that_were_counted_under_it(split):
    table = unit()
    shown = asked_screws(table, Question(by=(split,)))
    found = strata(table, shown, (split,), LABELS)
    for place, (key,) in enumerate(found.keys):
        of_key = shown & is_of(table, split, key)
        np.testing.assert_array_equal(of_key, found.places == place)
    assert not is_of(table, split, "nothing of this name").any()


def test_two_of_one_name_and_a_word_for_what_is_missing_stay_apart():
    table = unit()
    everything = np.ones(len(table), dtype=bool)
    surgeons = strata(table, everything, (Split.SURGEON,), LABELS)
    assert surgeons.keys == [("1",), ("2",), ("3",)]
    indications = strata(table, everything, (Split.INDICATION,), LABELS)
    assert [name[Split.INDICATION] for name in indications.names].count("not stated") == 2
    assert sorted(indications.keys) == [("",), ("not stated",), ("trauma",)]


def test_rows_and_columns_stand_in_the_order_of_their_splits():
    found = laid_out(Question(by=(Split.DIAMETER, Split.LEVEL), minimum=0))
    assert [name for _, name in found.rows] == ["6.5", "10.0", "not stated"]
    assert [name for _, name in found.columns] == ["C7", "T4", "L5", "S1", "ilium"]


@pytest.mark.parametrize("by", [(Split.LEVEL, Split.SIDE), (Split.SURGEON, Split.QUARTER)])
def test_the_places_add_up_to_their_sums(by):
    found = laid_out(Question(by=by, minimum=0))
    for (key, _), total in zip(found.rows, found.row_sums.values(), strict=True):
        cells = [cell for place, cell in found.cells.items() if place[0] == key]
        assert sum(cell.graded for cell in cells) == total.graded
        assert sum(cell.breached for cell in cells) == total.breached
    assert sum(row.graded for row in found.column_sums.values()) == found.whole.graded


def test_the_sentence_names_places_and_no_person():
    named = laid_out(Question(by=(Split.LEVEL, Split.SIDE), minimum=5))
    left, right = (named.cells["C7", side] for side in "LR")
    assert named.sentence() == (
        "10 places hold placed screws, and 8 enough graded ones for a rate: from 0.0% (C7, R; "
        f"interval {100 * right.low:.1f}% to {100 * right.high:.1f}%) to 50.0% (C7, L; "
        f"interval {100 * left.low:.1f}% to {100 * left.high:.1f}%). Of many places some lie high "
        "and some low by chance alone; where intervals overlap, they may not differ."
    )
    people = laid_out(Question(by=(Split.SURGEON, Split.SIDE), minimum=5)).sentence()
    assert "Anna" not in people
    assert "Bodo" not in people
    few = laid_out(Question(by=(Split.LEVEL, Split.SIDE), minimum=500)).sentence()
    assert few == "10 places hold placed screws, and 0 enough graded ones for a rate."
