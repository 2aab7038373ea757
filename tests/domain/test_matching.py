"""Whose scan it is: every way in which files and log can stand to each other.

The rules are the ledger's own; that an intra-operative image and a post-operative CT may be of one
day, and that a birth date beside a number catches a mistyped number, are common practice, no
source.
"""

from __future__ import annotations

from datetime import date, timedelta
from itertools import product

import pytest

from registry.domain.matching import (
    Agreement,
    CaseFacts,
    Objection,
    in_order_of_fit,
    kind_note,
    objections,
    suggested_kind,
)
from registry.domain.scans import ScanKind

DAY = date(2026, 3, 2)


def a_case(day=DAY, number=Agreement.SAME, born=Agreement.SAME, case_id=1):
    return CaseFacts(case_id, day, number, born)


@pytest.mark.parametrize(("number", "born"), list(product(Agreement, Agreement)))
@pytest.mark.parametrize("days", [-1, 0, 1, 400])
def test_each_difference_is_an_objection_of_its_own(number, born, days):
    found = objections(a_case(number=number, born=born), DAY + timedelta(days=days))
    assert (Objection.ANOTHER_NUMBER in found) is (number is Agreement.OTHER)
    assert (Objection.ANOTHER_BIRTH_DATE in found) is (born is Agreement.OTHER)
    assert (Objection.BEFORE_OPERATION in found) is (days < 0)


def test_only_a_day_cannot_be_answered_for():
    assert [each for each in Objection if not each.can_be_confirmed] == [Objection.BEFORE_OPERATION]


def test_the_latest_operation_before_the_scan_comes_first():
    days = (-400, -3, -3, 0, 5, 50)
    cases = [a_case(DAY + timedelta(days=d), case_id=n) for n, d in enumerate(days)]
    assert [each.case_id for each in in_order_of_fit(cases, DAY)] == [3, 2, 1, 0, 4, 5]
    assert [each.case_id for each in in_order_of_fit(cases[::-1], DAY)] == [3, 2, 1, 0, 4, 5]


@pytest.mark.parametrize(
    ("days", "kind"),
    [
        (-1, None),
        (0, None),
        (1, ScanKind.POST_OPERATIVE_CT),
        (90, ScanKind.POST_OPERATIVE_CT),
        (91, ScanKind.LATER_CT),
    ],
)
def test_the_kind_is_suggested_where_days_can_tell(days, kind):
    assert suggested_kind(DAY + timedelta(days=days), DAY, (0, 90)) is kind


@pytest.mark.parametrize("kind", ScanKind)
@pytest.mark.parametrize("days", [0, 1, 2, 30])
def test_an_intra_operative_image_of_a_later_day_is_noted(kind, days):
    note = kind_note(kind, DAY + timedelta(days=days), DAY)
    assert bool(note) is (kind is ScanKind.INTRA_OPERATIVE_3D and days > 1)
