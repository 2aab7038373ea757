"""Published series counted again.

`series.csv` holds each series with its citation, address and reading note: those whose count of
breaches is stated, at 0, 2 or 4 mm, in any direction or one that the ledger records, with their
patients. Abstracts and open pages; single numbers quoted.
"""

from __future__ import annotations

import csv
import re
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from registry.domain.directions import PEDICLE_WALLS, Direction
from reports.frame import ScrewRow, Threshold, frame
from reports.tables.rates import Question, rates

with (Path(__file__).parent / "series.csv").open(encoding="utf-8", newline="") as file:
    SERIES = list(csv.DictReader(file))

THRESHOLDS = {"0": Threshold.ANY, "2": Threshold.TWO_MM, "4": Threshold.FOUR_MM}
JUST_REACHED = {"0": "0.1", "2": "2.0", "4": "4.0"}
JUST_MISSED = {"0": "0.0", "2": "1.9", "4": "3.9"}


def direction_of(series):
    return None if series["direction"] == "any" else Direction(series["direction"])


def screws_of(series):
    """Return screws with the printed counts, spread over the printed number of patients."""
    wall = direction_of(series) or Direction.CAUDAL
    patients, breaches = int(series["patients"]), int(series["breaches"])
    for number in range(int(series["screws"])):
        extent = (JUST_REACHED if number < breaches else JUST_MISSED)[series["threshold_mm"]]
        yield ScrewRow(
            screw_id=number,
            patient=f"P{number % patients}",
            case_id=number % patients,
            operated_on=date(2025, 1, 1),
            level="L3",
            side="L",
            number=number // patients + 1,
            entry_technique="other",
            guidance="freehand",
            surgeon=1,
            imaged=True,
            extents_mm=dict.fromkeys(PEDICLE_WALLS, Decimal("0.0")) | {wall: Decimal(extent)},
        )


def test_thirty_series_are_there():
    assert len(SERIES) == 30


@pytest.mark.parametrize(
    "series",
    SERIES,
    ids=[f"{s['source'][:24]} {s['stratum'][:20]} {s['threshold_mm']} {s['direction']}"
         for s in SERIES],
)  # fmt: skip
def test_the_printed_counts_come_back(series):
    question = Question(
        threshold=THRESHOLDS[series["threshold_mm"]], direction=direction_of(series)
    )
    (row,) = rates(frame(screws_of(series)), question).rows
    assert (row.graded, row.breached, row.patients) == (
        int(series["screws"]),
        int(series["breaches"]),
        int(series["patients"]),
    )
    assert row.low <= row.rate <= row.high
    worked = re.search(r"(\d+)/(\d+) = ([\d.]+)%", series["note"])
    if worked:
        assert worked.groups()[:2] == (series["breaches"], series["screws"])
        assert f"{100 * row.rate:.2f}" == worked[3]


def test_the_one_percentage_among_them_is_compared():
    # Sumiya prints 9.5% for 37 of 383, which is 9.66%; the note says so.
    assert sum("37/383 = 9.66%" in series["note"] for series in SERIES) == 1
