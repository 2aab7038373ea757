"""What differs between two reports, in words; expected by hand from the documents."""

from __future__ import annotations

import json

from registry.domain.settings import Settings
from reports.documents.changes import changes, new_since, new_words
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


def test_a_kind_of_number_that_the_seal_had_not_is_new_and_no_difference():
    before, after = rates(("L4", 1), ("L5", 2)), rates(("L3", 7), ("L4", 1), ("L5", 3))
    for row in after["rates"]["level"]["rows"]:
        row["share"] = {"value": 0.5, "low": 0.4}
    after["actions"] = {"agreed": [1]}
    assert changes(before, after) == [
        ("rates, level, L3, rate", "", "7"),
        ("rates, level, L3, rate, lower limit", "", "0"),
        ("rates, level, L3, share", "", "0.5"),  # of a row that is new, all of it is a difference
        ("rates, level, L3, share, lower limit", "", "0.4"),
        ("rates, level, L5, rate", "2", "3"),
    ]
    assert new_since(before, after) == {"share": 4, "actions": 1}
    said = "New since the seal, no differences: share (4 values), actions (1 value)."
    assert new_words(new_since(before, after)) == said
    assert new_since(after, after) == {}


def test_a_number_that_went_and_a_reason_that_came_are_differences():
    before = {"not_compared": {"not blind": 1}, "runs": {"limit": 3, "target": 0}}
    after = {"not_compared": {"not blind": 1, "by eye": 2}, "runs": {"limit": 3}}
    assert changes(before, after) == [("not compared, by eye", "", "2"), ("runs, target", "0", "")]
    # What had nothing and has a number by now: the same kind, another value.
    before, after = {"compare": None, "made_at": ""}, {"compare": {"ratio": 2}, "made_at": ""}
    assert changes(before, after) == [("compare, ratio", "", "2")]
    assert new_since(before, after) == {}


def test_every_setting_that_numbers_depend_on_has_words():
    written = Settings().written()
    assert set(json.loads(written)) == set(SETTINGS)
    rows = dict(setting_rows(written))
    assert rows["days after the operation on which an audit scan is made"] == "0 to 90"
    assert rows["random share of the other first readings that are read twice"] == "10%"
    assert rows["the policy for findings that cannot wait: met from"] == "none"
