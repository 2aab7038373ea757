"""The table against OWASP ASVS 5.0.0: every requirement that is aimed at, once, and honestly."""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
LIST = ROOT / "tests" / "published" / "asvs_5_0_0.csv"
NAMED = {"1.2.10", "5.2.4", "5.2.5", "5.3.3", "7.5.3", "8.3.2", "14.2.7", "14.2.8", "16.5.4"}
"""The requirements of level 3 that are aimed at."""


def requirements() -> dict[str, int]:
    lines = [
        line for line in LIST.read_text(encoding="utf-8").splitlines() if not line.startswith("#")
    ]
    return {row["requirement"]: int(row["level"]) for row in csv.DictReader(lines)}


def rows() -> list[list[str]]:
    part = DEVELOPERS.partition("### OWASP ASVS 5.0.0, level 2")[2].partition("\n## ")[0]
    cells = [line.strip("| ").split(" |") for line in part.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line] for line in cells[2:]]


def placed(column: int) -> list[str]:
    return [
        f"{row[0]}.{number.strip()}"
        for row in rows()
        for number in row[column].split(",")
        if number.strip()
    ]


def test_the_list_is_of_levels_one_and_two_and_the_nine_named_of_three():
    levels = Counter(requirements().values())
    # Counted in the standard's own file: 70 of level 1, 183 of level 2, 92 of level 3.
    assert levels == {1: 70, 2: 183, 3: len(NAMED)}
    assert {name for name, level in requirements().items() if level == 3} == NAMED


def test_every_requirement_stands_in_the_table_once():
    found = Counter(number for column in (1, 2, 3) for number in placed(column))
    assert {number: count for number, count in found.items() if count > 1} == {}
    assert set(found) == set(requirements())


def test_the_sums_above_the_table_are_its_own():
    said = re.search(r"\((\d+) held, (\d+) not applicable, (\d+) open\)", DEVELOPERS)
    assert said
    assert [int(number) for number in said.groups()] == [len(placed(n)) for n in (1, 2, 3)]


def test_every_row_says_where_or_why_and_what_it_names_is_there():
    for row in rows():
        assert len(row) == 5, row
        assert row[4], row
        for named in re.findall(r"`([\w/]+/[\w/.]*\w)`", row[4]):
            places = (ROOT / named, ROOT / "registry" / named, ROOT / "tests" / "web" / named)
            assert any(place.exists() for place in places), named
