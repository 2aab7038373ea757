"""Rates from the ledger's rows: the same counts whoever asks, and names or codes as the rule says.

The unit has seven surgeons. Counts are worked out beside each test from the rows as written.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from registry.actions.accounts import acting
from registry.actions.count import count_rates, periods_offered
from registry.domain.access import Role
from registry.domain.directions import Direction
from registry.domain.disclosure import OTHERS_NEEDED, POINT_SCREWS
from registry.domain.problems import NotAllowedError
from registry.store.models.scans import Scan
from reports.frame import Intended, Threshold
from reports.tables.rates import Question
from reports.tables.splits import IntervalName, Split
from tests.build.filled_once import filled_once
from tests.build.loaded import NOW, an_account, load_reading_rows, load_rows

SURGEONS = ("Anna Berg", "Bodo Carl", "Cora Dietz", "Dora Ernst", "Emil Falk", "Frida Gross",
            "Gerd Horn")  # fmt: skip
CODE = re.compile(r"peer [0-9A-F]{6}")
TODAY = date(2027, 4, 20)  # 2026 is settled: over, and its last audit scans due
LEVELS = ("L3", "L4")


@filled_once
def a_unit(ledger, surgeons=SURGEONS, cases=2, days_between=10):
    """Give each surgeon some cases of four screws; the first screw of each is breached by 2.0."""
    log, read = [], []
    for number, surgeon in enumerate(surgeons):
        for turn in range(cases):
            ref = f"{number}-{turn}"
            on = date(2026, 1, 1) + timedelta(days=number + days_between * turn)
            for place, (level, side) in enumerate((lv, s) for lv in LEVELS for s in "LR"):
                screw = {"case_ref": ref, "level": level, "side": side}
                log.append({**screw, "patient_ref": f"P{ref}", "surgeon": surgeon,
                            "operated_on": on,
                            "operator": "Rolf Resident" if (place, turn) == (3, 0) else "",
                            "diameter_mm": "6.5"})  # fmt: skip
                read.append({**screw, "medial_mm": "0" if place else "2.0"})
    load_rows(ledger, *log)
    load_reading_rows(ledger, *read)
    return ledger


def ask(ledger, viewer, *by, today=TODAY, **more):
    return count_rates(ledger, viewer, Question(by=tuple(map(Split, by)), **more), today)


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


def test_a_surgeon_sees_their_own_name_and_peers_as_codes(ledger):
    unit = a_unit(
        ledger, cases=5, days_between=7
    )  # 20 graded screws each, of which one in four is breached
    anna = account(unit, Role.SURGEON, "Anna Berg")
    table = ask(unit, anna, "surgeon")
    assert numbers(table) == {("Anna Berg",): (5, 20, 20, 5)}
    codes = [peer.code for peer in table.peers]
    assert len(set(codes)) == 6
    assert all(CODE.fullmatch(code) for code in codes)
    assert [peer.rate for peer in table.peers] == [0.25] * 6
    # The same next time, and others for another viewer.
    assert [peer.code for peer in ask(unit, anna, "surgeon").peers] == codes
    bodo = an_account(unit, "bodo", Role.SURGEON, person="Bodo Carl")
    assert not set(codes) & {peer.code for peer in ask(unit, bodo, "surgeon").peers}


@pytest.mark.parametrize("count", range(4, 8))
def test_peers_are_shown_among_five_others_and_no_fewer(ledger, count):
    a_unit(ledger, SURGEONS[:count], cases=5, days_between=7)
    anna = account(ledger, Role.SURGEON, "Anna Berg")
    table = ask(ledger, anna, "surgeon")
    assert len(table.rows) == 1
    is_enough = count - 1 >= OTHERS_NEEDED
    assert len(table.peers) == (count - 1 if is_enough else 0)
    assert ("at least 5 other surgeons" in " ".join(table.withheld)) != is_enough


def test_a_peer_needs_as_many_graded_screws_as_a_rounded_rate_stands_for(ledger):
    a_unit(ledger, SURGEONS[:6], cases=5, days_between=7)
    anna = account(ledger, Role.SURGEON, "Anna Berg")
    assert len(ask(ledger, anna, "surgeon").peers) == 5
    first_quarter = ask(ledger, anna, "surgeon", end=date(2026, 3, 31))
    assert len(first_quarter.peers) == 5
    # One of the five has one screw fewer that can be graded.
    row = {"case_ref": "5-0", "level": "L3", "side": "L", "reader": "Lena Lead"}
    load_reading_rows(
        ledger, {**row, "scan_on": "2026-01-07", "read_on": "2026-01-08", "medial_mm": "0"}
    )
    graded = numbers(ask(ledger, acting(ledger, None), "surgeon"))["Frida Gross",][2]
    assert graded < POINT_SCREWS
    assert ask(ledger, anna, "surgeon").peers == ()


def test_other_days_than_fixed_ones_show_own_screws_and_nothing_else(unit):
    # On each of these days one surgeon operated, and every other surgeon knows who.
    anna = account(unit, Role.SURGEON, "Anna Berg")
    periods = [(date(2026, 1, day), date(2026, 1, day)) for day in range(1, 8)]
    for start, end in [*periods, (date(2026, 1, 2), date(2026, 3, 31)), (None, date(2026, 1, 6))]:
        table = ask(unit, anna, "surgeon", start=start, end=end)
        assert [name for (name,) in numbers(table)] in ([], ["Anna Berg"])
        assert table.peers == ()
        assert "over fixed periods only; choose all up to 2026Q4, 2026, " in table.withheld[-1]
        for by in ((), ("level",), ("quarter",)):
            found = ask(unit, anna, *by, start=start, end=end)
            assert found.rows == ()
            assert "over fixed periods only; choose " in found.withheld[0]
            assert found.unit is None


def test_before_a_quarter_is_settled_there_are_own_screws_alone(unit):
    anna = account(unit, Role.SURGEON, "Anna Berg")
    for today in (None, date(2026, 3, 31), date(2026, 6, 29)):
        assert ask(unit, anna, today=today).rows == ()
        assert "no quarter is settled yet" in ask(unit, anna, today=today).withheld[0]
        (own,) = ask(unit, anna, "surgeon", today=today).rows
        assert (own.graded, own.low, own.high) == (8, None, None)
    settled = date(2026, 6, 30)  # 31 March and its window of 90 days have passed
    assert numbers(ask(unit, anna, today=settled)) == {(): (14, 56, 56, 14)}
    assert ask(unit, anna, "level", today=settled).rows == ()  # that takes a year
    offered = periods_offered(unit, anna, settled)
    assert [period.words for period in offered.periods] == ["all up to 2026Q1", "2026Q1"]
    assert periods_offered(unit, acting(unit, None), settled) is None


def test_own_screws_to_this_day_have_no_interval_that_knows_the_others(unit, local):
    anna = account(unit, Role.SURGEON, "Anna Berg")
    asked = {"end": date(2027, 4, 20), "minimum": 0}
    (own,) = ask(unit, anna, "surgeon", **asked).rows
    assert (own.rate, own.low, own.high, own.df) == (0.25, None, None, None)
    (plain,) = ask(unit, anna, "surgeon", interval=IntervalName.WILSON, **asked).rows
    (whole,) = (row for row in ask(unit, local, "surgeon", interval=IntervalName.WILSON, **asked)
                .rows if "Anna Berg" in row.stratum.values())  # fmt: skip
    assert plain == whole


def test_two_splits_crossed_and_intended_exits_left_out_are_for_own_screws(unit):
    for viewer in (
        account(unit, Role.SURGEON, "Anna Berg"),
        account(unit, Role.REGISTRAR, "Rolf Resident"),
    ):
        crossed = ask(unit, viewer, "level", "side")
        assert (crossed.rows, crossed.withheld[0][:19]) == ((), "Two splits crossed ")
        left_out = ask(unit, viewer, intended=Intended.EXCLUDE)
        assert (left_out.rows, left_out.withheld[0][:14]) == ((), "Intended exits")
        own = ask(unit, viewer, "operator", "level", intended=Intended.EXCLUDE)
        assert {operator for operator, _ in numbers(own)} <= {"Rolf Resident"}


def test_who_has_several_roles_has_the_widest(unit):
    both = acting(unit, None)
    lead = replace(both, roles=frozenset({Role.REGISTRAR, Role.QUALITY_LEAD}))
    lead = replace(lead, is_local_operator=False)
    assert set(numbers(ask(unit, lead, "surgeon"))) == {(name,) for name in SURGEONS}
    person = account(unit, Role.SURGEON, "Anna Berg").person_id
    surgeon = replace(lead, person_id=person, roles=frozenset({Role.REGISTRAR, Role.SURGEON}))
    assert numbers(ask(unit, surgeon, "surgeon")) == {("Anna Berg",): (2, 8, 8, 2)}


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


def test_the_counts_are_the_same_whoever_asks(unit, local):
    viewers = [
        account(unit, Role.REGISTRAR, None),
        account(unit, Role.SURGEON, "Anna Berg"),
        account(unit, Role.QUALITY_LEAD, None),
    ]
    for by in ((), ("level",), ("side",), ("entry_technique",), ("quarter",), ("diameter",)):
        whole = ask(unit, local, *by)
        for viewer in viewers:
            found = ask(unit, viewer, *by)
            assert numbers(found) == numbers(whole)
            for mine, theirs in zip(found.rows, whole.rows, strict=True):
                assert mine.rate == theirs.rate
                # The limits of who may not see all are wider by less than a hundredth.
                assert theirs.low - 0.0101 < mine.low <= theirs.low
                assert theirs.high <= mine.high < theirs.high + 0.0101
        assert found.rows == whole.rows
        assert found.unit == whole.unit
    own = [row for row in ask(unit, local, "surgeon").rows if "Anna Berg" in row.stratum.values()]
    assert [row.graded for row in ask(unit, viewers[1], "surgeon").rows] == [own[0].graded]


def test_how_breaches_lie_within_patients_is_told_of_own_screws_alone(unit):
    anna = account(unit, Role.SURGEON, "Anna Berg")
    (whole,) = ask(unit, anna).rows
    assert (whole.patients, whole.patients_with_event) == (14, None)
    assert (whole.design_effect, whole.effective, whole.df) == (None, None, None)
    (own,) = ask(unit, anna, "surgeon").rows
    assert own.patients_with_event == 2
    assert (own.design_effect, own.effective, own.df) == (None, None, None)
    document = ask(unit, anna).as_json()["rows"][0]
    assert document["patients_with_event"] is None
    assert ask(unit, anna).cells()[1][-1] is None  # the unit's own correlation
    widened = "The limits are widened to whole per cent; what made them is not shown."
    assert widened in ask(unit, anna).notes()
    assert widened not in ask(unit, account(unit, Role.QUALITY_LEAD, None)).notes()


LONE = {"case_ref": "lone", "patient_ref": "lone", "surgeon": "Bodo Carl", "level": "C5",
        "entry_technique": "cervical pedicle", "guidance": "navigation",
        "indication": "rheumatoid", "operated_on": "2026-02-20", "diameter_mm": "4.0"}  # fmt: skip
READ = {"level": "C5", "read_on": "2026-03-01"}
OTHERS = ("Cora Dietz", "Dora Ernst", "Emil Falk")


def load_lone(unit, surgeons, **cells):
    for surgeon in surgeons:
        load_rows(unit, {**LONE, "case_ref": surgeon, "patient_ref": surgeon, "surgeon": surgeon,
                         **cells})  # fmt: skip
        load_reading_rows(unit, {**READ, "case_ref": surgeon})


@pytest.mark.parametrize(
    "by", ["level", "region", "entry_technique", "guidance", "indication", "diameter"]
)
def test_a_stratum_needs_three_others_and_takes_another_with_it_by_subtraction(unit, local, by):
    anna = account(unit, Role.SURGEON, "Anna Berg")
    bodo = an_account(unit, "bodo", Role.SURGEON, person="Bodo Carl")
    load_lone(unit, ["Bodo Carl"])
    whole = numbers(ask(unit, local, by))
    for viewer in (anna, account(unit, Role.REGISTRAR, None)):
        seen = ask(unit, viewer, by)
        # The total is shown: another stratum has to go, or the lone one would be what is missing.
        assert len(whole) - len(numbers(seen)) == 2
        assert all(whole[stratum] == found for stratum, found in numbers(seen).items())
        assert "by subtraction" in seen.withheld[0]
    # The one whose they are sees them.
    assert numbers(ask(unit, bodo, by)) == whole
    load_lone(unit, OTHERS[:1])
    assert len(numbers(ask(unit, anna, by))) < len(whole)
    load_lone(unit, OTHERS[1:])
    assert numbers(ask(unit, anna, by)) == numbers(ask(unit, local, by))


def test_a_stratum_with_one_other_operator_is_not_shown(unit):
    # Four responsible surgeons, but one person who put all the screws in.
    load_lone(unit, ["Bodo Carl", *OTHERS], operator="Rolf Resident")
    anna = account(unit, Role.SURGEON, "Anna Berg")
    assert ("C5",) not in numbers(ask(unit, anna, "level"))


def test_a_stratum_that_is_nearly_all_one_other_s_is_not_shown(unit):
    load_lone(unit, ["Bodo Carl", *OTHERS])
    anna = account(unit, Role.SURGEON, "Anna Berg")
    assert ("C5",) in numbers(ask(unit, anna, "level"))
    many = [{**LONE, "case_ref": "many", "patient_ref": "many", "level": "C5", "number": number,
             "side": side} for number in (1, 2) for side in "LR"]  # fmt: skip
    more = [{**row, "case_ref": f"more {turn}", "patient_ref": f"more {turn}"}
            for turn in range(5) for row in many]  # fmt: skip
    load_rows(unit, *many, *more)  # 25 of 28 are Bodo Carl's
    assert ("C5",) not in numbers(ask(unit, anna, "level"))


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
