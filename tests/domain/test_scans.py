"""The one scan that a case is counted on."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain.scans import (
    ScanFacts,
    ScanKind,
    ScanReason,
    audit_scan,
    why_not_counted,
)

OPERATED = date(2026, 2, 3)
WINDOW = (0, 90)


def scan(scan_id, days, kind=ScanKind.POST_OPERATIVE_CT, reason=ScanReason.ROUTINE, adequate=True):  # noqa: FBT002 - as the record has it
    return ScanFacts(scan_id, OPERATED + timedelta(days=days), kind, reason, adequate)


def chosen(*scans, window=WINDOW):
    found = audit_scan(scans, OPERATED, window)
    return None if found is None else found.scan_id


CASES = {
    "the first of two": ([scan(1, 5), scan(2, 3)], 2),
    "on the day itself": ([scan(1, 0)], 1),
    "on the last day of the window": ([scan(1, 90)], 1),
    "after the window": ([scan(1, 91)], None),
    "before the operation": ([scan(1, -1)], None),
    "for symptoms": ([scan(1, 1, reason=ScanReason.SYMPTOMS)], None),
    "for symptoms, then routine": (
        [scan(1, 1, reason=ScanReason.SYMPTOMS), scan(2, 30)],
        2,
    ),
    "for another reason": ([scan(1, 1, reason=ScanReason.OTHER)], 1),
    "for a reason not stated": ([scan(1, 1, reason=ScanReason.NOT_STATED)], 1),
    "in theatre": ([scan(1, 0, kind=ScanKind.INTRA_OPERATIVE_3D)], None),
    "a later CT": ([scan(1, 40, kind=ScanKind.LATER_CT)], None),
    "not adequate": ([scan(1, 1, adequate=False), scan(2, 2)], 2),
    "two on one day": ([scan(2, 1), scan(1, 1)], 1),
    "none": ([], None),
}


@pytest.mark.parametrize(("scans", "expected"), CASES.values(), ids=CASES)
def test_a_case_is_counted_on_the_first_fitting_scan(scans, expected):
    assert chosen(*scans) == expected


def test_the_unit_sets_the_window():
    assert chosen(scan(1, 2), scan(2, 20), window=(7, 30)) == 2


@given(
    st.lists(
        st.builds(
            scan,
            st.integers(1, 99),
            st.integers(-5, 120),
            st.sampled_from(ScanKind),
            st.sampled_from(ScanReason),
            st.booleans(),
        ),
        unique_by=lambda item: item.scan_id,
    ),
    st.integers(0, 400),
)
def test_a_later_or_a_symptom_scan_never_replaces_the_audit_scan(scans, days):
    before = chosen(*scans)
    for late in (
        scan(100, days, reason=ScanReason.SYMPTOMS),
        scan(101, days, kind=ScanKind.LATER_CT),
        scan(102, 90 + 1 + days),
    ):
        assert chosen(*scans, late) == before


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({}, ""),
        ({"kind": ScanKind.LATER_CT}, "its kind is later CT"),
        ({"reason": ScanReason.SYMPTOMS}, "it was made for symptoms"),
        ({"is_adequate": False}, "it was said to be unreadable"),
        ({"scanned_on": date(2026, 5, 1)}, "day 120 is outside the unit's 0 to 90"),
        ({"scanned_on": date(2025, 12, 31)}, "day -1 is outside the unit's 0 to 90"),
    ],
)
def test_a_scan_that_does_not_count_says_why_and_agrees_with_the_choice(changed, why):
    facts = {
        "scan_id": 1,
        "scanned_on": date(2026, 1, 5),
        "kind": ScanKind.POST_OPERATIVE_CT,
        "reason": ScanReason.ROUTINE,
    }
    scan = ScanFacts(**facts | changed)
    operated_on = date(2026, 1, 1)
    assert why_not_counted(scan, operated_on, (0, 90)) == why
    assert (audit_scan([scan], operated_on, (0, 90)) is None) == bool(why)
