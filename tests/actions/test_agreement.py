"""How readers agree, from a ledger's rows: which pairs count, and what a reader learns of own ones.

Judged by counts made by hand here; the statistics themselves are judged in tests/statistics.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from registry.actions.accounts import acting
from registry.actions.agreement import (
    NO_GRADE,
    NOT_ASSESSABLE,
    NOT_BLIND,
    AgreementAsked,
    compare_readers,
    own_agreement,
)
from registry.domain.access import Role
from registry.domain.directions import PEDICLE_WALLS
from registry.domain.own_pairs import OWN_PAIRS
from registry.domain.problems import NotAllowedError
from registry.store.models.readings import Reading
from tests.build.loaded import an_account, load_rows
from tests.build.scanned import with_held_scan

NOW = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
LEVELS = ("L1", "L2", "L3", "L4", "L5")
# Per screw: medial mm of the first reading and of the second. Grades A A, A B, B B, C C, D C, A A;
# the last four are each left out for another reason.
READ = [("0.0", "0.0"), ("0.0", "1.0"), ("1.5", "1.0"), ("2.0", "3.0"), ("4.5", "3.5"),
        ("0.0", "0.0"), ("9.0", "0.0"), ("9.0", "0.0"), ("9.0", "0.0"), ("0.0", "9.0")]  # fmt: skip
NOT_BLIND_AT, SHOWN_AT, UNREADABLE_AT, PARTLY_AT = 6, 7, 8, 9


def put(work, viewer, screw, scan, medial, role, **more):
    walls = {f"{wall}_mm": Decimal("0.0") for wall in PEDICLE_WALLS}
    columns = {
        "reader_id": viewer.person_id,
        "recorded_by_id": viewer.account_id,
        "screw_id": screw,
        "scan_id": scan,
        "role": role,
        "read_on": NOW.date(),
        "recorded_at": NOW,
        "is_assessable": True,
        "method": "typed",
        "is_blind": True,
        **walls,
        "medial_mm": Decimal(medial),
    }
    return work.insert(Reading, "read a screw", **(columns | more))


@pytest.fixture
def unit(ledger):
    """Give two patients of five screws each, read twice as above by Rita and Ruth."""
    load_rows(
        ledger,
        *(
            {"case_ref": f"OP-{case}", "patient_ref": f"H{case}",
             "operated_on": f"2026-03-0{case}", "level": level, "side": "L"}
            for case in (1, 2)
            for level in LEVELS
        ),
    )  # fmt: skip
    scans = [with_held_scan(ledger, f"OP-{case}") for case in (1, 2)]
    rita, ruth = (
        an_account(ledger, name, Role.REGISTRAR, person=f"{name} Reader", new_person=True)
        for name in ("Rita", "Ruth")
    )
    nothing = {f"{wall}_mm": None for wall in PEDICLE_WALLS}
    with ledger.writing(acting(ledger, None), NOW) as work:
        for number, (first, second) in enumerate(READ):
            screw, scan = number + 1, scans[number // len(LEVELS)]
            put(work, rita, screw, scan, first, "first", is_blind=number != NOT_BLIND_AT)
            more = {}
            if number == SHOWN_AT:
                more = {"proposal_seen": "from the start"}
            elif number == UNREADABLE_AT:
                more = {"is_assessable": False, "not_assessable_reason": "artefact", **nothing}
            elif number == PARTLY_AT:
                more = {"caudal_mm": None}
            put(work, ruth, screw, scan, second, "second", **more)
    return ledger


def compared(ledger, viewer=None, **asked):
    return compare_readers(ledger, viewer or acting(ledger, None), AgreementAsked(**asked))


def test_only_blind_graded_pairs_count_and_the_others_are_said(unit):
    found = compared(unit)
    assert found.whole.screws == 6
    assert found.whole.patients == 2
    assert found.left_out == {NOT_BLIND: 2, NOT_ASSESSABLE: 1, NO_GRADE: 1}
    assert found.whole.table == (
        (2, 1, 0, 0, 0),
        (0, 1, 0, 0, 0),
        (0, 0, 1, 0, 0),
        (0, 0, 1, 0, 0),
        (0, 0, 0, 0, 0),
    )
    assert found.whole.observed.value == pytest.approx(4 / 6)
    assert found.whole.breached == 4
    assert found.whole.observed_breached.value == pytest.approx(2 / 4)
    # Second less first: 0, 1, -0.5, 1, -1, 0.
    assert found.whole.limits.bias.value == pytest.approx(0.5 / 6)
    assert found.whole.classes[2].agreement.value == pytest.approx(2 / 3)
    # The period is that of the operations.
    assert compared(unit, start=date(2026, 3, 2)).whole.screws == 1
    assert compared(unit, end=date(2026, 2, 1)).whole.as_json()["observed"] is None


def test_a_change_after_the_proposal_leaves_the_blind_reading_compared(unit):
    rita = acting(unit, "Rita")
    before = compared(unit).whole.table
    with unit.writing(rita, NOW) as work:
        put(
            work, rita, 1, 1, "6.5", "first", supersedes_id=1, superseded_reason="proposal",
            proposal_seen="after own reading",
        )  # fmt: skip
    assert compared(unit).whole.table == before


def test_readers_are_codes_unless_names_are_asked_for(unit):
    assert [each.name for each in compared(unit).couples] == ["reader 1 and reader 2"]
    named = compared(unit, is_named=True)
    assert [each.name for each in named.couples] == ["Rita Reader and Ruth Reader"]
    of_ruth = dict(named.drifts)["Ruth Reader"]
    assert of_ruth.bias.value == pytest.approx(0.5 / 6)
    assert dict(named.drifts)["Rita Reader"].bias.value == pytest.approx(-0.5 / 6)


def test_only_who_may_see_everybody_s_numbers_sees_all_pairs(unit):
    for role in (Role.REGISTRAR, Role.SURGEON, Role.STEWARD):
        asking = an_account(unit, f"a {role}", role)
        with pytest.raises(NotAllowedError):
            compared(unit, asking)
    lead = an_account(unit, "lena", Role.QUALITY_LEAD)
    assert compared(unit, lead).whole == compared(unit).whole


def test_a_reader_sees_own_pairs_once_they_are_many_and_their_quarter_is_over(unit):
    rita, ruth = acting(unit, "Rita"), acting(unit, "Ruth")
    late = date(2027, 1, 1)
    assert own_agreement(unit, rita, late).until is None  # six pairs are too few
    with unit.writing(acting(unit, None), NOW) as work:
        for number in range(11, 15):
            # On the same screws, a later scan would not count: these replace what was left out.
            place = {"screw_id": number - 4, "scan_id": 2}
            first = {7: 13, 8: 15, 9: 17, 10: 19}[place["screw_id"]]
            for role, who, old in (("first", rita, first), ("second", ruth, first + 1)):
                put(
                    work, who, place["screw_id"], place["scan_id"], "1.0", role,
                    supersedes_id=old, superseded_reason="read again",
                )  # fmt: skip
    assert compared(unit).whole.screws == OWN_PAIRS
    assert own_agreement(unit, rita, date(2026, 3, 31)).until is None  # the quarter is not over
    found = own_agreement(unit, rita, date(2026, 4, 1))
    assert (found.until, found.pairs) == (date(2026, 3, 31), OWN_PAIRS)
    # Eight of ten alike; in steps of 0.05. Rita less Ruth: 0.05 mm, to a tenth.
    assert found.observed.value == 0.8
    assert found.bias_mm.value in {0.0, -0.1}
    assert own_agreement(unit, ruth, date(2026, 4, 1)).observed == found.observed
    nobody = an_account(unit, "third", Role.REGISTRAR, person="Third Reader", new_person=True)
    assert own_agreement(unit, nobody, late).until is None
    without_person = an_account(unit, "nina", Role.REGISTRAR)
    assert own_agreement(unit, without_person, late).until is None
