"""Rates from the ledger's rows: the same digits whoever asks, and names or codes as the table says.

The unit has seven surgeons. Counts are worked out beside each test from the rows as written.
"""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal

import pytest

from registry.actions.accounts import acting
from registry.actions.count import OTHERS_NEEDED, count_rates
from registry.domain.access import Role
from registry.domain.directions import Direction
from registry.domain.problems import NotAllowedError
from registry.store.models.scans import Scan
from reports.frame import Threshold
from reports.tables.rates import Question
from reports.tables.splits import Split
from tests.build.loaded import NOW, an_account, load_reading_rows, load_rows

SURGEONS = ("Anna Berg", "Bodo Carl", "Cora Dietz", "Dora Ernst", "Emil Falk", "Frida Gross",
            "Gerd Horn")  # fmt: skip
CODE = re.compile(r"peer [0-9A-F]{4}")
LEVELS = ("L3", "L4")


def a_unit(ledger, surgeons=SURGEONS, cases=2):
    """Give each surgeon some cases of four screws; the first screw of each is breached by 2.0."""
    log, read = [], []
    for number, surgeon in enumerate(surgeons):
        for turn in range(cases):
            ref = f"{number}-{turn}"
            for place, (level, side) in enumerate((lv, s) for lv in LEVELS for s in "LR"):
                screw = {"case_ref": ref, "level": level, "side": side}
                log.append({**screw, "patient_ref": f"P{ref}", "surgeon": surgeon,
                            "operated_on": f"2026-01-{1 + number + 10 * turn:02}",
                            "operator": "Rolf Resident" if (place, turn) == (3, 0) else "",
                            "diameter_mm": "6.5"})  # fmt: skip
                read.append({**screw, "medial_mm": "0" if place else "2.0"})
    load_rows(ledger, *log)
    load_reading_rows(ledger, *read)
    return ledger


def ask(ledger, viewer, *by, **more):
    return count_rates(ledger, viewer, Question(by=tuple(map(Split, by)), **more))


def numbers(table):
    return {
        tuple(row.stratum.values()): (row.patients, row.placed, row.graded, row.breached)
        for row in table.rows
    }


@pytest.fixture
def unit(ledger):
    return a_unit(ledger)


@pytest.fixture
def local(unit):
    return acting(unit, None)


def account(ledger, role, person):
    return an_account(ledger, role.value, role, person=person)


def test_the_lead_and_the_shell_see_names(unit, local):
    lead = account(unit, Role.QUALITY_LEAD, None)
    expected = {(name,): (2, 8, 8, 2) for name in SURGEONS}
    assert numbers(ask(unit, local, "surgeon")) == expected
    assert numbers(ask(unit, lead, "surgeon")) == expected


def test_a_surgeon_sees_their_own_name_and_peers_as_codes(unit):
    anna = account(unit, Role.SURGEON, "Anna Berg")
    found = [name for (name,) in numbers(ask(unit, anna, "surgeon"))]
    assert "Anna Berg" in found
    codes = [name for name in found if name != "Anna Berg"]
    assert len(set(codes)) == 6
    assert all(CODE.fullmatch(code) for code in codes)
    # The same next time, and others for another viewer.
    assert [name for (name,) in numbers(ask(unit, anna, "surgeon"))] == found
    bodo = an_account(unit, "bodo", Role.SURGEON, person="Bodo Carl")
    assert not set(codes) & {name for (name,) in numbers(ask(unit, bodo, "surgeon"))}


@pytest.mark.parametrize("count", range(1, 8))
def test_peers_are_shown_among_five_others_and_no_fewer(ledger, count):
    a_unit(ledger, SURGEONS[:count])
    anna = account(ledger, Role.SURGEON, "Anna Berg")
    shown = len(ask(ledger, anna, "surgeon").rows)
    assert shown == (count if count - 1 >= OTHERS_NEEDED else 1)


def test_a_short_period_does_not_pick_out_one_peer(unit):
    # On each of these days one surgeon operated, and every other surgeon knows who.
    anna = account(unit, Role.SURGEON, "Anna Berg")
    for day in range(1, 8):
        on = date(2026, 1, day)
        table = ask(unit, anna, "surgeon", start=on, end=on)
        assert [name for (name,) in numbers(table)] in ([], ["Anna Berg"])
    days = ask(unit, anna, "surgeon", start=date(2026, 1, 2), end=date(2026, 1, 6))
    assert len(days.rows) == 5
    fewer = ask(unit, anna, "surgeon", start=date(2026, 1, 3), end=date(2026, 1, 6))
    assert fewer.rows == ()


def test_five_others_count_only_where_they_have_graded_screws(ledger):
    a_unit(ledger, SURGEONS[:5])
    for name in SURGEONS[5:]:  # in the log, but with no CT
        load_rows(ledger, {"case_ref": name, "patient_ref": name, "surgeon": name})
    anna = account(ledger, Role.SURGEON, "Anna Berg")
    assert len(ask(ledger, anna, "surgeon").rows) == 1


def test_a_registrar_sees_own_screws_as_operator_and_no_surgeon(unit):
    registrar = account(unit, Role.REGISTRAR, "Rolf Resident")
    assert numbers(ask(unit, registrar, "operator")) == {("Rolf Resident",): (7, 7, 7, 0)}
    for by in (("surgeon",), ("level", "surgeon"), ("operator", "surgeon")):
        with pytest.raises(NotAllowedError, match="ask by operator"):
            ask(unit, registrar, *by)


@pytest.mark.parametrize("by", [("surgeon",), ("operator",), ("level", "surgeon")])
def test_who_belongs_to_no_person_sees_no_persons(unit, by):
    for role in (Role.REGISTRAR, Role.SURGEON):
        nobody = an_account(unit, f"no {role}", role)
        with pytest.raises(NotAllowedError):
            ask(unit, nobody, *by)


def test_a_surgeon_crossed_with_anything_sees_own_strata_alone(unit):
    anna = account(unit, Role.SURGEON, "Anna Berg")
    assert numbers(ask(unit, anna, "surgeon", "level")) == {
        ("Anna Berg", "L3"): (2, 4, 4, 2),
        ("Anna Berg", "L4"): (2, 4, 4, 0),
    }


def test_the_steward_sees_no_rates(unit):
    steward = account(unit, Role.STEWARD, None)
    for by in ((), ("level",), ("surgeon",)):
        with pytest.raises(NotAllowedError, match="may not see"):
            ask(unit, steward, *by)


def test_the_digits_are_the_same_whoever_asks(unit, local):
    viewers = [
        account(unit, Role.REGISTRAR, "Rolf Resident"),
        account(unit, Role.SURGEON, "Anna Berg"),
        account(unit, Role.QUALITY_LEAD, None),
    ]
    for by in ((), ("level",), ("side",), ("entry_technique",), ("level", "side"), ("diameter",)):
        whole = ask(unit, local, *by)
        for viewer in viewers:
            assert ask(unit, viewer, *by).rows == whole.rows
            assert ask(unit, viewer, *by).unit == whole.unit
    own = [row for row in ask(unit, local, "surgeon").rows if "Anna Berg" in row.stratum.values()]
    seen = ask(unit, viewers[1], "surgeon").rows
    assert [row for row in seen if "Anna Berg" in row.stratum.values()] == own


LONE = {"case_ref": "lone", "patient_ref": "lone", "surgeon": "Bodo Carl", "level": "C5",
        "entry_technique": "cervical pedicle", "guidance": "navigation",
        "indication": "rheumatoid", "operated_on": "2026-02-20", "diameter_mm": "4.0"}  # fmt: skip


@pytest.mark.parametrize(
    "by", ["level", "region", "entry_technique", "guidance", "indication", "diameter"]
)
def test_a_stratum_with_one_other_surgeon_is_not_shown(unit, local, by):
    load_rows(unit, LONE, {**LONE, "side": "R"})
    load_reading_rows(unit, {"case_ref": "lone", "level": "C5", "read_on": "2026-03-01"})
    whole = numbers(ask(unit, local, by))
    for viewer in (
        account(unit, Role.SURGEON, "Anna Berg"),
        account(unit, Role.REGISTRAR, None),
    ):
        seen = numbers(ask(unit, viewer, by))
        assert len(seen) == len(whole) - 1
        assert all(whole[stratum] == found for stratum, found in seen.items())
    # Two others hide each other again; and the one whose they are sees them.
    bodo = an_account(unit, "bodo", Role.SURGEON, person="Bodo Carl")
    assert numbers(ask(unit, bodo, by)) == whole
    other = {**LONE, "case_ref": "two", "patient_ref": "two", "surgeon": "Cora Dietz"}
    load_rows(unit, other)
    load_reading_rows(unit, {"case_ref": "two", "level": "C5", "read_on": "2026-03-01"})
    anna = acting(unit, "surgeon")
    assert numbers(ask(unit, anna, by)) == numbers(ask(unit, local, by))


def test_a_stratum_with_one_other_operator_is_not_shown(unit):
    # Two responsible surgeons, but one person who put both screws in.
    load_rows(
        unit,
        {**LONE, "operator": "Rolf Resident"},
        {**LONE, "case_ref": "two", "patient_ref": "two", "surgeon": "Cora Dietz",
         "operator": "Rolf Resident"},
    )  # fmt: skip
    anna = account(unit, Role.SURGEON, "Anna Berg")
    assert ("C5",) not in numbers(ask(unit, anna, "level"))


def test_a_day_on_which_one_other_operated_is_not_shown(unit):
    anna = account(unit, Role.SURGEON, "Anna Berg")
    on = date(2026, 1, 2)
    assert numbers(ask(unit, anna, start=on, end=on)) == {(): (0, 0, 0, 0)}
    assert numbers(ask(unit, acting(unit, None), start=on, end=on)) == {(): (1, 4, 4, 1)}


def test_what_was_measured_by_one_other_alone_is_not_shown(unit):
    # Everybody's screws are graded, but only one surgeon's were measured to the front.
    anna = account(unit, Role.SURGEON, "Anna Berg")
    load_rows(unit, {**LONE, "level": "L4", "entry_technique": "isthmus"})
    load_reading_rows(
        unit, {"case_ref": "lone", "level": "L4", "read_on": "2026-03-01", "anterior_mm": "5"}
    )
    front = {"direction": Direction.ANTERIOR, "threshold": Threshold.ANY}
    assert numbers(ask(unit, acting(unit, None), "level", **front))["L4",][2:] == (1, 1)
    assert ("L4",) not in numbers(ask(unit, anna, "level", **front))


def test_pooling_reaches_from_the_first_case_to_the_end_of_the_period(unit, local):
    # What is pooled does not depend on the split nor on the first day.
    end = date(2026, 1, 14)
    plain = ask(unit, local, end=end).unit
    assert ask(unit, local, "surgeon", "level", start=date(2026, 1, 12), end=end).unit == plain
    assert ask(unit, local).unit != plain


def test_a_symptom_scan_and_a_late_one_do_not_count(unit, local):
    before = ask(unit, local).rows
    row = {"case_ref": "0-0", "level": "L3", "medial_mm": "9", "reader": "Lena Lead"}
    load_reading_rows(
        unit,
        {**row, "scan_on": "2026-01-02", "scan_reason": "symptoms"},
        {**row, "scan_on": "2026-03-01", "read_on": "2026-03-02", "scan_kind": "later CT"},
    )
    assert ask(unit, local).rows == before
    # An earlier routine CT takes the case over: only the screws read on it are graded now.
    load_reading_rows(unit, {**row, "scan_on": "2026-01-03", "scan_reason": "routine"})
    (now,) = ask(unit, local).rows
    assert (now.graded, now.placed) == (before[0].graded - 3, before[0].placed)


def test_a_scan_that_cannot_be_read_gives_way_to_the_next(unit, local):
    with unit.writing(local, NOW) as work:
        work.update(Scan, "say that a scan is not adequate", 1, is_adequate=False)
    (row,) = ask(unit, local).rows
    assert (row.imaged, row.placed) == (52, 56)


@pytest.mark.parametrize(
    ("life", "placed"), [("placed", 1), ("redirected", 1), ("removed", 0), ("retained", 0)]
)
def test_only_what_was_placed_and_left_in_counts(ledger, life, placed):
    load_rows(ledger, {"life": life})
    load_reading_rows(ledger, {"medial_mm": "3"})
    (row,) = ask(ledger, acting(ledger, None)).rows
    assert (row.placed, row.graded, row.breached) == (placed,) * 3


@pytest.mark.parametrize(
    ("extent", "counts"),
    [("0", (0, 0, 0)), ("0.1", (1, 0, 0)), ("1.9", (1, 0, 0)), ("2.0", (1, 1, 0)),
     ("3.9", (1, 1, 0)), ("4.0", (1, 1, 1))],
)  # fmt: skip
def test_each_threshold_counts_from_its_bound(ledger, extent, counts):
    load_rows(ledger)
    load_reading_rows(ledger, {"caudal_mm": extent})
    local = acting(ledger, None)
    found = [ask(ledger, local, threshold=threshold).rows[0].breached for threshold in Threshold]
    assert tuple(found) == counts
    assert Decimal(extent) >= 0


def test_both_ends_of_a_period_are_included(ledger):
    load_rows(ledger, {"operated_on": "2026-01-01"})
    load_reading_rows(ledger, {"read_on": "2026-01-05"})
    day, local = date(2026, 1, 1), acting(ledger, None)
    assert ask(ledger, local, start=day, end=day).rows[0].placed == 1
    assert ask(ledger, local, start=date(2026, 1, 2)).rows[0].placed == 0
    assert ask(ledger, local, end=date(2025, 12, 31)).rows[0].placed == 0
