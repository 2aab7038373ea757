"""Corrections keep what was there and ask why; of two at one moment one wins, the other is told."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.correct_case import correct_case
from registry.actions.correct_screw import add_screw, correct_screw
from registry.actions.corrections import ChangedMeanwhileError, Correction
from registry.actions.follow_case import NOT_COUNTED
from registry.actions.look_at_case import look_at_case
from registry.actions.outcomes import correct_outcome, record_outcome
from registry.actions.scans_of_case import add_scan_elsewhere, correct_scan
from registry.actions.withdraw import WhoWithdraws, withdraw
from registry.actions.worklist import worklist
from registry.domain.access import Role
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
    ProblemError,
)
from registry.store.models.cases import CaseAssistant, Screw
from registry.store.models.readings import Assignment, ConsensusRow
from registry.store.models.trail import EventRow
from registry.store.queries.assignments import saving_facts
from registry.store.queries.constructs import case_in_full
from registry.store.queries.correcting import case_as_entered
from registry.store.queries.outcomes import outcomes_of_case
from registry.store.queries.scans import correctable_case
from registry.store.queries.trail import TrailAsked, trail_lines
from tests.build.loaded import NOW, TODAY, an_account, fill, load_rows

LATER = NOW + timedelta(hours=2)
WHY = "the log was wrong"


@pytest.fixture
def filled(ledger, tmp_path):
    return fill(ledger, tmp_path)


@pytest.fixture
def lead(filled):
    return an_account(filled, "lena", Role.QUALITY_LEAD, person="Lena Lead")


def case_of(ledger, viewer, case_id=1):
    with ledger.reading() as session:
        return case_as_entered(session, viewer, case_id)


def correct(ledger, viewer, case_id=1, *, because=WHY, version=None, **changes):
    case = case_of(ledger, viewer, case_id)
    seen = case.version if version is None else version
    typed = Correction(seen, because, {**case.texts, **changes})
    correct_case(ledger, viewer, case_id, typed, today=TODAY, now=LATER)


def correct_one(ledger, viewer, screw_id=1, case_id=1, *, because=WHY, **changes):
    screw = case_of(ledger, viewer, case_id).screw(screw_id)
    typed = Correction(screw.version, because, {**screw.texts, **changes})
    correct_screw(ledger, viewer, case_id, screw_id, typed, now=LATER)


def events(ledger, verb):
    with ledger.reading() as session:
        rows = session.execute(
            select(EventRow).where(EventRow.verb == verb).order_by(EventRow.sequence)
        ).scalars()
        return [(row.record, row.before, row.after, row.reason, row.actor) for row in rows]


def why_closed(ledger, screw_id):
    with ledger.reading() as session:
        asked = select(Assignment.closed_reason).where(Assignment.screw_id == screw_id)
        return list(session.execute(asked).scalars())


def sound(ledger):
    assert check_ledger(ledger, acting(ledger, None)) == []
    return True


def test_a_correction_keeps_what_was_there_and_why(filled, lead):
    correct(filled, lead, indication="fracture", cobb_deg="", surgeon="Bodo Carl",
            second_surgeon="", assistants="Dora Ernst", bmi="30,5")  # fmt: skip
    (found,) = events(filled, "correct a case")
    assert found[0] == "operation:1"
    assert found[3:] == (WHY, "lena")
    assert '"indication":"degenerative"' in found[1]
    assert '"indication":"fracture"' in found[2]
    assert '"cobb_deg":"12.5"' in found[1]
    assert '"cobb_deg":null' in found[2]
    assert '"body_mass_index":"30.5"' in found[2]
    (out,) = events(filled, "take an assistant out")
    assert (out[1] != "", out[2], out[3]) == (True, "", WHY)
    with filled.reading() as session:
        assert len(session.execute(select(CaseAssistant.id)).all()) == 1
    assert case_of(filled, lead).texts["surgeon"] == "Bodo Carl"
    assert sound(filled)


def test_what_is_wrong_with_a_correction_is_all_said_and_nothing_is_changed(filled, lead):
    for changes, told in (
        ({}, ["every value is as it was"]),
        ({"because": " "}, ["Reason: is empty"]),
        ({"operated_on": "2027-01-01"}, ["Day of operation: 2027-01-01 lies after today"]),
        ({"surgeon": "Nobody Known"}, ["Responsible surgeon: nobody is known as 'Nobody Known'"]),
        ({"case_ref": "OP-2"}, ["Case reference: 'OP-2' is another case"]),
        ({"surgeon": "", "bmi": "fat"}, ["Responsible surgeon: is empty", "Body mass index"]),
    ):
        with pytest.raises(ProblemError) as raised:
            correct(filled, lead, **changes)
        lines = raised.value.lines()
        assert len(lines) == len(told)
        assert all(line.startswith(start) for line, start in zip(lines, told, strict=True)), lines
    assert events(filled, "correct a case") == []


def test_nobody_comes_to_have_taken_part_whose_readings_of_the_case_stand(filled, lead):
    for change in ({"surgeon": "Rita Reader"}, {"assistants": "Lena Lead"}):
        with pytest.raises(ConflictError, match=r"has read screws of this case.*read again by"):
            correct(filled, lead, 2, **change)
    with pytest.raises(ConflictError, match="Rita Reader has read screws of this case"):
        correct_one(filled, lead, 5, 2, operator="Rita Reader")
    correct(filled, lead, 1, second_surgeon="Rita Reader")
    assert sound(filled)


def test_two_leads_correct_the_same_case_at_the_same_moment(filled, lead):
    other = an_account(filled, "leon", Role.QUALITY_LEAD)
    case = case_of(filled, lead)
    at_once = threading.Barrier(2)
    told: list[object] = []

    def act(viewer, **changes):
        typed = Correction(case.version, WHY, {**case.texts, **changes})
        at_once.wait()
        try:
            correct_case(filled, viewer, 1, typed, today=TODAY, now=LATER)
            told.append("saved")
        except ChangedMeanwhileError as problem:
            told.append(problem.lines()[0])

    threads = [
        threading.Thread(target=act, args=(lead,), kwargs={"indication": "fracture"}),
        threading.Thread(target=act, args=(other,), kwargs={"bone_quality": "poor"}),
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert min(map(str, told)) == "saved"
    assert len(told) == 2
    assert sum("somebody else has corrected this since" in str(one) for one in told) == 1
    assert len(events(filled, "correct a case")) == 1
    assert case_of(filled, lead).version == case.version + 1
    assert sound(filled)


def test_a_screw_s_level_is_corrected_with_its_readings_and_its_grade_goes_along(filled, lead):
    # L3 left of OP-2 was read twice: medial 2.4 and 2.6.
    before = case_of(filled, lead, 2)
    correct_one(filled, lead, 5, 2, level="L2", number="2")
    found = next(screw for screw in case_of(filled, lead, 2).screws if screw.screw_id == 5)
    assert (found.level, found.side, found.number, found.is_read) == ("L2", "L", 2, True)
    assert before.screw(5).level == "L3"
    with filled.reading() as session:
        case = case_in_full(session, lead, (0, 90), 2)
    (moved,) = [screw for screw in case.screws if screw.level == "L2"]
    assert str(moved.found.extents_mm["medial"]) == "2.5"
    assert sound(filled)


def test_a_place_that_is_taken_is_refused(filled, lead):
    with pytest.raises(ConflictError, match="there is a screw at L4 R already"):
        correct_one(filled, lead, 1, side="R")
    case = case_of(filled, lead)
    typed = Correction(0, WHY, {**case.screw(1).texts, "replaces_id": ""})
    with pytest.raises(ConflictError, match="there is a screw at L4 L already"):
        add_screw(filled, lead, 1, typed, now=LATER)


def test_a_removed_screw_owes_nothing_and_an_added_one_is_asked_for(filled, lead):
    correct_one(filled, lead, 1, life="removed")
    assert why_closed(filled, 1) == [NOT_COUNTED]
    texts = {**case_of(filled, lead).screw(2).texts, "level": "S1", "side": "R",
             "entry_technique": "sacral facet corner"}  # fmt: skip
    added = add_screw(filled, lead, 1, Correction(0, WHY, texts), now=LATER)
    assert why_closed(filled, added) == [None]
    correct_one(filled, lead, 1, life="redirected", first_track="too lateral")
    assert why_closed(filled, 1) == [None]
    with pytest.raises(BadInputError, match="First track, if redirected: is empty"):
        correct_one(filled, lead, 2, life="redirected")
    assert sound(filled)


def test_an_intention_that_is_set_late_says_when(filled, lead):
    def recorded(screw_id):
        with filled.reading() as session:
            asked = select(Screw.intention_recorded_at).where(Screw.id == screw_id)
            return session.execute(asked).scalar_one()

    assert recorded(1) == NOW
    correct_one(filled, lead, 1, diameter_mm="7.5")
    assert recorded(1) == NOW
    correct_one(filled, lead, 1, intention="")
    assert recorded(1) is None
    correct_one(filled, lead, 1, intention="in-out-in")
    assert recorded(1) == LATER
    with filled.reading() as session:
        notes = case_in_full(session, lead, (0, 90), 1).warnings
    assert [note.screw for note in notes if "does not count as intended" in note.text] == ["L4 L"]


def test_a_surgeon_corrects_own_cases_but_hands_no_result_on(filled):
    surgeon = an_account(filled, "bodo", Role.SURGEON, person="Bodo Carl")
    correct(filled, surgeon, 2, indication="fracture")
    correct_one(filled, surgeon, 5, 2, diameter_mm="7.5")
    for change in ({"surgeon": "Anna Berg"}, {"assistants": "Anna Berg"}):
        with pytest.raises(BadInputError, match=r"is not yours to change.*ask the quality lead"):
            correct(filled, surgeon, 2, **change)
    with pytest.raises(BadInputError, match="Operator: is not yours to change"):
        correct_one(filled, surgeon, 5, 2, operator="Anna Berg")
    with pytest.raises(BadInputError, match="Life: this screw has been read on a scan"):
        correct_one(filled, surgeon, 5, 2, life="removed")
    # S1 needs two walls of the four, the ilium none: either would change what is counted.
    for level in ("S1", "ilium"):
        with pytest.raises(BadInputError, match="Level: this screw has been read, and other walls"):
            correct_one(filled, surgeon, 5, 2, level=level)
    with pytest.raises(BadInputError, match=r"with 2025-10-01 the case would be counted on"):
        correct(filled, surgeon, 2, operated_on="2025-10-01")
    correct(filled, surgeon, 2, operated_on="2026-02-01")
    with pytest.raises(NotFoundError):
        case_of(filled, surgeon, 4)
    with pytest.raises(NotAllowedError):
        add_scan_elsewhere(filled, surgeon, 2, {}, today=TODAY, now=LATER)


def test_nobody_takes_themselves_out_of_a_case(filled, lead):
    anna = an_account(filled, "anna", Role.QUALITY_LEAD, person="Anna Berg")
    with pytest.raises(BadInputError, match="Responsible surgeon: would take you out"):
        correct(filled, anna, 1, surgeon="Bodo Carl")
    correct(filled, anna, 1, indication="fracture")
    dora = an_account(filled, "dora", Role.QUALITY_LEAD, person="Dora Ernst")
    correct_one(filled, lead, 1, operator="Dora Ernst")
    with pytest.raises(BadInputError, match="Operator: would take you out"):
        correct_one(filled, dora, 1, operator="Bodo Carl")
    correct_one(filled, lead, 1, operator="Bodo Carl")
    correct(filled, lead, 1, surgeon="Bodo Carl", second_surgeon="")
    assert sound(filled)


def test_a_registrar_corrects_what_they_entered_and_nothing_else(filled):
    registrar = acting(filled, "rita")
    with pytest.raises(NotFoundError):
        case_of(filled, registrar, 1)
    load_rows(filled, {"case_ref": "OP-8", "patient_ref": "H800"}, viewer=registrar)
    with filled.reading() as session:
        number = max(row[0] for row in session.execute(select(Screw.case_id)))
    correct(filled, registrar, number, surgeon="Bodo Carl")
    assert case_of(filled, registrar, number).texts["surgeon"] == "Bodo Carl"
    with pytest.raises(NotAllowedError):
        record_outcome(filled, registrar, number, {}, today=TODAY, now=LATER)


def test_a_withdrawn_patient_s_case_is_corrected_no_more(filled, lead):
    withdraw(filled, lead, WhoWithdraws(case_ref="OP-1"), "asked", LATER)
    with pytest.raises(NotFoundError, match="among those you may correct"):
        case_of(filled, lead, 1)
    with pytest.raises(NotFoundError, match="among those you may add to"):
        record_outcome(filled, lead, 1, OUTCOME, today=TODAY, now=LATER)


def test_who_has_looked_at_a_case_is_offered_its_screws_last_and_reads_not_blind(filled, lead):
    def facts():
        with filled.reading() as session:
            return saving_facts(session, lead, 1)

    assert facts().is_blind is True
    assert {screw.is_last for screw in worklist(filled, lead, LATER)} == {False}
    assert look_at_case(filled, lead, 1, LATER) is True
    assert look_at_case(filled, lead, 1, LATER) is False
    assert len(events(filled, "look at a case")) == 2
    assert facts().is_blind is False
    assert {screw.is_last for screw in worklist(filled, lead, LATER)} == {True}
    other = an_account(filled, "lena too", Role.REGISTRAR, person="Lena Lead")
    assert {screw.is_last for screw in worklist(filled, other, LATER)} == {True}
    with pytest.raises(NotAllowedError):
        look_at_case(filled, other, 1, LATER)
    assert sound(filled)


OUTCOME = {"observed_on": "2026-03-20", "has_deficit": "yes", "deficit_words": "foot drop",
           "is_revised_for_position": "no"}  # fmt: skip


def test_outcomes_are_recorded_and_corrected_with_a_reason(filled, lead):
    number = record_outcome(filled, lead, 2, OUTCOME, today=TODAY, now=LATER)
    with filled.reading() as session:
        (found,) = outcomes_of_case(session, lead, 2)
    assert (found.outcome_id, found.days_after, found.screw) == (number, 45, "")
    changed = {**found.texts, "screw_id": "5", "told_on": "2026-03-21", "told_by": "Bodo Carl"}
    typed = Correction(found.version, WHY, changed)
    correct_outcome(filled, lead, 2, number, typed, today=TODAY, now=LATER)
    with filled.reading() as session:
        (found,) = outcomes_of_case(session, lead, 2)
    assert (found.screw, found.texts["told_by"]) == ("L3 L", "Bodo Carl")
    assert events(filled, "correct an outcome")[0][3] == WHY
    with pytest.raises(ChangedMeanwhileError):
        correct_outcome(filled, lead, 2, number, typed, today=TODAY, now=LATER)
    for change, told in (
        ({"observed_on": "2026-01-01"}, "is before the operation of 2026-02-03"),
        ({"observed_on": "2026-12-01"}, "lies after today"),
        ({"has_deficit": "no"}, "is for a deficit alone"),
        ({"told_by": "Bodo Carl"}, "say on which day the patient was told"),
        ({"screw_id": "1"}, "is no screw of this case"),
    ):
        with pytest.raises(BadInputError, match=told):
            record_outcome(filled, lead, 2, {**OUTCOME, **change}, today=TODAY, now=LATER)
    assert sound(filled)


def test_scans_are_added_and_corrected_and_what_is_owed_follows(filled, lead):
    elsewhere = {"scanned_on": "2026-02-20", "kind": "post-operative CT", "reason": "not stated",
                 "is_adequate": "yes"}  # fmt: skip
    scan_id = add_scan_elsewhere(filled, lead, 1, elsewhere, today=TODAY, now=LATER)
    assert why_closed(filled, 1) == ["the case is not counted on this scan"]
    with filled.reading() as session:
        found = correctable_case(session, lead, 1).scan(scan_id)
        listed = case_in_full(session, lead, (0, 90), 1).scans
    assert [(scan.is_audit_scan, scan.why_not) for scan in listed] == [
        (True, ""),
        (False, "another that fits is earlier"),
    ]
    typed = Correction(found.version, WHY, {**found.texts, "is_adequate": "no"})
    correct_scan(filled, lead, 1, scan_id, typed, today=TODAY, now=LATER)
    assert why_closed(filled, 1) == [None]
    with filled.reading() as session:
        listed = case_in_full(session, lead, (0, 90), 1).scans
    assert [scan.why_not for scan in listed] == ["it was said to be unreadable", ""]
    with pytest.raises(ChangedMeanwhileError):
        correct_scan(filled, lead, 1, scan_id, typed, today=TODAY, now=LATER)
    twice = replace(typed, version=2, texts={**found.texts, "scanned_on": "2026-03-02"})
    with pytest.raises(ConflictError, match="there is a post-operative CT of 2026-03-02 already"):
        correct_scan(filled, lead, 1, scan_id, twice, today=TODAY, now=LATER)
    with filled.reading() as session:
        assert len(session.execute(select(ConsensusRow.id)).all()) == 4
    assert sound(filled)


def test_the_trail_tells_each_what_is_theirs_to_see(filled, lead):
    correct_one(filled, lead, 1, diameter_mm="7.5", because="read off the sticker")
    steward = an_account(filled, "stan", Role.STEWARD)
    surgeon = an_account(filled, "bodo", Role.SURGEON, person="Cora Dietz")
    stranger = an_account(filled, "frida", Role.SURGEON, person=None)

    def of(viewer, **asked):
        with filled.reading() as session:
            return trail_lines(session, viewer, TrailAsked(**asked), 0, 100)[0]

    (line,) = [line for line in of(lead, record="screw:1") if line.verb == "correct a screw"]
    assert line.reason == "read off the sticker"
    assert [(c.column, c.before, c.after) for c in line.changes] == [("diameter mm", "6.5", "7.5")]
    (line,) = [line for line in of(steward, record="screw:1") if line.verb == "correct a screw"]
    assert (line.reason, line.has_values) == (None, False)
    assert [(c.column, c.before, c.after) for c in line.changes] == [("diameter mm", None, None)]
    assert {line.has_values for line in of(steward, record="account")} == {True}
    assert "correct a screw" in {line.verb for line in of(surgeon, case_id=1)}
    assert of(surgeon, case_id=2) == []
    assert {line.actor for line in of(stranger)} <= {"frida"}
    assert {line.actor for line in of(lead, actor="lena")} == {"lena"}
    assert of(lead, since=LATER + timedelta(seconds=1)) == []
    assert {line.at for line in of(lead, since=LATER)} == {"2026-03-31T14:00:00.000000Z"}
    shown = [c for line in of(lead, record="account") for c in line.changes]
    assert {c.after for c in shown if c.column == "password hash"} == {"(secret)"}


def test_a_reader_s_own_events_do_not_tell_which_reading_was_the_second(filled):
    reader = acting(filled, "rita")
    with filled.reading() as session:
        asked = session.execute(select(Assignment.id)).scalars().first()
    with filled.writing(reader, LATER) as work:
        closed = {"closed_at": LATER, "closed_reason": "tried"}
        work.update(Assignment, "close what is owed", asked, **closed)
    with filled.reading() as session:
        lines, _ = trail_lines(session, reader, TrailAsked(), 0, 100)
        by_all, _ = trail_lines(session, acting(filled, None), TrailAsked(actor="rita"), 0, 100)
    assert {line.record for line in lines} == {line.record for line in by_all} - {
        f"assignment:{asked}"
    }
