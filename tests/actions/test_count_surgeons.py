"""Surgeons and runs from the ledger's rows: who sees what, and the same digits whoever asks."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from registry.actions.accounts import acting
from registry.actions.count import count_rates
from registry.actions.count_runs import WHOLE_UNIT, count_run, run_named, runs_offered
from registry.actions.count_surgeons import count_surgeons
from registry.domain.access import Role
from registry.domain.problems import BadInputError, NotAllowedError, NotFoundError
from reports.tables.rates import Question
from reports.tables.splits import Split
from tests.build.loaded import an_account, load_reading_rows, load_rows

SURGEONS = ("Anna Berg", "Bodo Carl", "Cora Dietz", "Dora Ernst", "Emil Falk", "Frida Gross")
TODAY = date(2026, 4, 20)  # 2025 is settled: over, and its last audit scans due
LATE = date(2025, 12, 1)  # after 2025Q1 was settled
PLACES = [(level, side) for level in ("L3", "L4") for side in "LR"]


def rows_of_a_unit():
    """Return twelve cases of four screws a surgeon; the first of every other case is breached."""
    log, read = [], []
    for number, surgeon in enumerate(SURGEONS):
        for turn in range(12):
            ref, on = f"{number}-{turn}", date(2025, 1, 2) + timedelta(days=number + 7 * turn)
            for place, (level, side) in enumerate(PLACES):
                screw = {"case_ref": ref, "level": level, "side": side}
                log.append({**screw, "patient_ref": f"P{ref}", "surgeon": surgeon,
                            "operated_on": on})  # fmt: skip
                if (number, turn) != (0, 11):  # the last case of Anna's is not imaged
                    day = LATE if (number, turn) == (0, 2) else on + timedelta(days=20)
                    extent = "2.0" if place == 0 and turn % 2 == 0 else "0"
                    read.append({**screw, "medial_mm": extent, "read_on": day,
                                 "scan_on": on + timedelta(days=3),
                                 "scan_reason": "routine" if turn else ""})  # fmt: skip
            if (number, turn) == (0, 11):
                log[-4:] = [{**row, "no_ct_reason": "declined"} for row in log[-4:]]
    return log, read


@pytest.fixture
def unit(ledger):
    log, read = rows_of_a_unit()
    load_rows(ledger, *log)
    load_reading_rows(ledger, *read)
    return ledger


def test_who_sees_what_of_surgeons(unit):
    local = acting(unit, None)
    lead = an_account(unit, "lead", Role.QUALITY_LEAD, person=None)
    anna = an_account(unit, "anna", Role.SURGEON, person="Anna Berg")
    coded = count_surgeons(unit, lead, Question(), TODAY)
    named = count_surgeons(unit, lead, Question(), TODAY, is_named=True)
    assert [point.code for point in named.points] == list(SURGEONS)
    codes = [point.code for point in coded.points]
    assert codes == sorted(codes)
    assert all(code.startswith("surgeon ") for code in codes)
    assert not set(codes) & set(SURGEONS)
    assert {point.rate for point in coded.points} == {point.rate for point in named.points}
    # Codes are others over another period and for another account, and the same the next time.
    again = count_surgeons(unit, lead, Question(), TODAY)
    assert [point.code for point in again.points] == codes
    for viewer, asked in ((lead, Question(start=date(2025, 1, 1))), (local, Question())):
        other = count_surgeons(unit, viewer, asked, TODAY)
        assert not {point.code for point in other.points} & set(codes)
    first = named.points[0]
    assert (first.placed, first.imaged, first.graded, first.breached) == (48, 44, 44, 6)
    assert first.imaging == {"routine": 10, "none: declined": 1, "reason not stated": 1}
    assert sum(point.expected for point in named.points) == pytest.approx(36)

    # The surgeon: the own point, by the rates' own digits, and peers.
    own = count_surgeons(unit, anna, Question(), TODAY)
    rates = count_rates(unit, anna, Question(by=(Split.SURGEON,)), TODAY)
    assert [point.code for point in own.points] == ["Anna Berg"]
    point = own.points[0]
    assert (point.rate.value, point.rate.low) == (rates.rows[0].rate, rates.rows[0].low)
    assert own.peers == rates.peers
    assert len(own.peers) == 5
    assert own.spread is None
    assert own.target == pytest.approx(36 / 284)
    assert (point.effective, point.shrunken.value, point.observed_over_expected.low) == (None,) * 3
    assert point.observed_over_expected.value == pytest.approx(6 / (44 * 36 / 284))
    for limits in (point.limits_95, point.limits_998):
        assert round(100 * limits.low, 9) % 1 == round(100 * limits.high, 9) % 1 == 0
    exact = named.points[0].limits_95
    assert point.limits_95.low <= exact.low < exact.high <= point.limits_95.high
    document = own.as_json()
    assert [each["graded"] for each in document["points"]] == [44, *[None] * 5]
    assert not [name for name in SURGEONS[1:] if name in str(document) + own.as_csv()]

    # Nothing settled: no target, no line, and why.
    early = count_surgeons(unit, anna, Question(end=date(2025, 4, 1)), date(2025, 4, 2))
    assert (early.target, early.points[0].limits_95, early.peers) == (None, None, ())
    assert "may not be shown" in " ".join(early.notes())
    for name, role, person in (
        ("rita", Role.REGISTRAR, "Bodo Carl"),
        ("stig", Role.STEWARD, None),
        ("nobody", Role.SURGEON, None),
    ):
        viewer = an_account(unit, name, role, person=person)
        with pytest.raises(NotAllowedError):
            count_surgeons(unit, viewer, Question(), TODAY)
        with pytest.raises(NotAllowedError):
            count_run(unit, viewer, Question(), None, TODAY)


def test_nothing_tells_a_surgeon_whether_a_colleague_s_screws_were_read_twice(unit):
    anna = an_account(unit, "anna", Role.SURGEON, person="Anna Berg")
    days = [date(2025, 1, 2) + timedelta(days=number) for number in range(2)]
    own, others = (Question(by=(Split.SURGEON,), start=day, end=day) for day in days)
    said = "Second readings were made of some screws only"
    for count in (count_rates, count_surgeons):
        tables = [count(unit, anna, each, TODAY) for each in (own, others)]
        words = [getattr(each, "rates", each).second_reading for each in tables]
        assert words[0].startswith(said)
        assert words[1] == ""
    # A day of the whole unit is not counted, and nothing is said of it.
    assert count_rates(unit, anna, replace(others, by=()), TODAY).second_reading == ""


def test_who_sees_what_of_runs(unit):
    lead = an_account(unit, "lead", Role.QUALITY_LEAD, person=None)
    anna = an_account(unit, "anna", Role.SURGEON, person="Anna Berg")
    offered = runs_offered(unit, lead)
    assert [whose.name for whose in offered] == list(SURGEONS)
    assert runs_offered(unit, anna) is None
    whole = count_run(unit, lead, Question(), None, TODAY)
    assert (whole.whose, len(whole.steps)) == (WHOLE_UNIT, 71)
    assert whole.steps[-1].difference == pytest.approx(0, abs=1e-6)
    person = run_named(unit, lead, "anna berg")
    seen = count_run(unit, lead, Question(), person, TODAY)
    assert (seen.whose, len(seen.steps)) == ("Anna Berg", 11)
    # The third case was read after its quarter was settled.
    assert [step.number for step in seen.steps if step.is_late] == [3]
    assert [step.day for step in whole.steps if step.is_late] == [seen.steps[2].day]
    own = count_run(unit, anna, Question(), None, TODAY)
    assert own.whose == "Anna Berg"
    assert [(step.day, step.breached) for step in own.steps] == [
        (step.day, step.breached) for step in seen.steps
    ]
    assert own.target == pytest.approx(36 / 284)
    assert "rounded up to" in own.limit_words
    assert count_run(unit, anna, Question(), person, TODAY) == own
    # Before anything is settled there is no rate to stand against.
    early = count_run(unit, anna, Question(), None, date(2025, 4, 2))
    assert (early.target, early.steps) == (None, ())
    assert "may not be shown" in " ".join(early.notes())
    with pytest.raises(NotAllowedError, match="another surgeon's run"):
        count_run(unit, anna, Question(), offered[1].person, TODAY)
    with pytest.raises(NotAllowedError, match="own run alone"):
        run_named(unit, anna, "Bodo Carl")
    with pytest.raises(BadInputError, match="no surgeon 'Zoe'"):
        run_named(unit, lead, "Zoe")
    with pytest.raises(NotFoundError):
        count_run(unit, lead, Question(), 10_000, TODAY)


def test_an_own_run_does_not_change_when_others_screws_of_the_last_weeks_do(unit):
    anna = an_account(unit, "anna", Role.SURGEON, person="Anna Berg")
    today = date(2025, 11, 1)  # the second quarter is settled, the third is not
    before = count_run(unit, anna, Question(), None, today)
    point = count_surgeons(unit, anna, Question(), today)
    screws = [{"case_ref": f"new {case}", "level": level, "side": side}
              for case in range(6) for level, side in PLACES]  # fmt: skip
    load_rows(unit, *({**screw, "patient_ref": screw["case_ref"], "surgeon": "Bodo Carl",
                       "operated_on": "2025-08-03"} for screw in screws))  # fmt: skip
    load_reading_rows(unit, *({**screw, "medial_mm": "5.0", "read_on": "2025-08-20"}
                              for screw in screws))  # fmt: skip
    assert count_run(unit, anna, Question(), None, today) == before
    assert count_surgeons(unit, anna, Question(), today) == point
