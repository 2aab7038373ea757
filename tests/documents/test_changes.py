"""What differs between two reports, in words; expected by hand from the documents."""

from __future__ import annotations

import json

from registry.domain.settings import Settings
from reports.documents.changes import changes
from reports.documents.setting_words import SETTINGS, setting_rows


def rates(*rows: tuple[str, int]) -> dict[str, object]:
    held = [{"stratum": {"level": level}, "rate": {"value": n, "low": 0}} for level, n in rows]
    return {"made_at": "then", "rates": {"level": {"rows": held}}}


def test_a_change_is_named_by_what_it_is_of_and_not_by_its_place():
    before, after = rates(("L4", 1), ("L5", 2)), rates(("L3", 7), ("L4", 1), ("L5", 3))
    assert changes(before, after) == [
        ("rates, level, L3, rate", "", "7"),
        ("rates, level, L3, rate, lower limit", "", "0"),
        ("rates, level, L5, rate", "2", "3"),
    ]


def test_of_settings_the_one_that_changed_is_named_and_of_new_parts_none():
    old, new = (json.dumps({"headline_mm": mm, "second_share": "0.1"}) for mm in "24")
    before = {"settings": old, "versions": {"numpy": "1"}}
    after = {"settings": new, "versions": {"numpy": "2"}, "actions": {"agreed": [1]}}
    assert changes(before, after) == [("settings, cut-off of the headline rate", "2 mm", "4 mm")]


def test_every_setting_that_numbers_depend_on_has_words():
    written = Settings().written()
    assert set(json.loads(written)) == set(SETTINGS)
    rows = dict(setting_rows(written))
    assert rows["days after the operation on which an audit scan is made"] == "0 to 90"
    assert rows["random share of the other first readings that are read twice"] == "10%"
    assert rows["the policy for findings that cannot wait: met from"] == "none"
