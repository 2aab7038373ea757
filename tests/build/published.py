"""Published series as theatre logs and tables of readings."""

from __future__ import annotations

import contextlib
import csv
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

from registry.domain.directions import Direction
from tests.build.loaded import load_reading_rows, load_rows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.build.places import Place

with (Path(__file__).parents[1] / "published" / "series.csv").open(
    encoding="utf-8", newline=""
) as file:
    SERIES = list(csv.DictReader(file))

JUST_REACHED = {"0": "0.1", "2": "2.0", "4": "4.0"}
JUST_MISSED = {"0": "0", "2": "1.9", "4": "3.9"}
THRESHOLDS = {"0": "any", "2": "2", "4": "4"}
# Screws of one patient stand at different levels and sides, as many as there are.
PLACES = [(f"T{n}", side) for n in range(1, 13) for side in "LR"]
PLACES += [(f"L{n}", side) for n in range(1, 6) for side in "LR"]


def named(series: dict[str, str]) -> str:
    """Return a test's name for a series."""
    words = (series["source"][:24], series["stratum"][:20], series["threshold_mm"])
    return " ".join((*words, series["direction"]))


def screws(series: dict[str, str]) -> Iterator[tuple[dict[str, object], dict[str, object]]]:
    """Yield a log row and a readings row for each screw, spread over the printed patients."""
    patients, breaches = int(series["patients"]), int(series["breaches"])
    wall = series["direction"] if series["direction"] in list(Direction) else "caudal"
    for number in range(int(series["screws"])):
        patient, place = number % patients, number // patients
        level, side = PLACES[place % len(PLACES)]
        key = {
            "case_ref": f"P{patient}",
            "level": level,
            "side": side,
            "number": str(1 + place // len(PLACES)),
        }
        extent = (JUST_REACHED if number < breaches else JUST_MISSED)[series["threshold_mm"]]
        technique = "other: as in the series"
        yield (
            {**key, "patient_ref": f"H{patient}", "entry_technique": technique},
            {**key, f"{wall}_mm": extent},
        )


def check_series(place: Place, series: dict[str, str]) -> None:
    """Load a series by its tables and ask for its rate by the command."""
    pairs = list(screws(series))
    with contextlib.closing(place.open()) as ledger:
        load_rows(ledger, *(log for log, _ in pairs))
        load_reading_rows(ledger, *(reading for _, reading in pairs))
    asked = ["rates", "--threshold", THRESHOLDS[series["threshold_mm"]], "--format", "json"]
    if series["direction"] != "any":
        asked += ["--direction", series["direction"]]
    answer = place.command(*asked, "--minimum", "0")
    assert (answer.status, answer.err) == (0, "")
    (row,) = json.loads(answer.out)["rows"]
    printed = {
        "graded": int(series["screws"]),
        "placed": int(series["screws"]),
        "breached": int(series["breaches"]),
        "patients": int(series["patients"]),
    }
    assert {name: row[name] for name in printed} == printed
    assert row["low"] <= row["rate"] <= row["high"]
    worked = re.search(r"(\d+)/(\d+) = ([\d.]+)%", series["note"])
    if worked:
        assert f"{100 * row['rate']:.2f}" == worked[3]
