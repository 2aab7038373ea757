"""The invented unit: exact counts, the same bytes for a seed, days in range, readers apart."""

from __future__ import annotations

import csv
import io
from collections import Counter, defaultdict
from datetime import date, timedelta

import pytest

from demo_data.scenario import people
from demo_data.scenario.ct.study import PatientIdentity, drawn_screws
from demo_data.scenario.unit import SEED, invent_unit
from registry.actions.desk_screw import Placing
from registry.domain.directions import Side
from registry.domain.reply import quarter, quarter_of
from registry.domain.settings import Settings
from registry.domain.techniques import COUNTED_LIVES, EntryTechnique
from registry.domain.usual_angles import usual_convergence
from registry.intake.readings_table import read_readings
from registry.intake.theatre_log import read_theatre_log
from registry.measure.axes import ScrewAxis, patient_to_section, point
from registry.measure.cortex import fit_curve
from registry.measure.extents import pedicle_extents

YEAR_END = date(2026, 12, 31)
SEEDS = (SEED, 1, 2024)


@pytest.fixture(scope="module", params=SEEDS)
def unit(request):
    return invent_unit(request.param)


@pytest.fixture(scope="module")
def drawn():
    return drawn_screws()


def rows_of(table):
    return list(csv.DictReader(io.StringIO(table.decode())))


def test_there_are_400_cases_with_3000_screws_of_six_surgeons(unit):
    rows = rows_of(unit.theatre_log_csv())
    assert len(rows) == 3000
    assert len({row["case_ref"] for row in rows}) == 400
    assert len({row["surgeon"] for row in rows}) == 6
    assert len({(row["case_ref"], row["level"], row["side"]) for row in rows}) == 3000


def test_the_same_seed_gives_the_same_bytes_and_another_gives_others(unit):
    again, other = invent_unit(unit.seed), invent_unit(unit.seed + 1)
    assert again.theatre_log_csv() == unit.theatre_log_csv()
    assert again.readings_csv() == unit.readings_csv()
    assert other.theatre_log_csv() != unit.theatre_log_csv()
    assert other.readings_csv() != unit.readings_csv()


def test_the_intake_takes_both_tables_without_a_fault(unit):
    log = read_theatre_log(unit.theatre_log_csv(), "log", None, YEAR_END)
    readings = read_readings(unit.readings_csv(), "readings", None, YEAR_END)
    assert not log.faults
    assert not readings.faults
    assert log.row_count == 3000


def test_operations_fill_nine_quarters_from_july_2024_to_september_2026(unit):
    days = [case.operated_on for case in unit.cases if case != unit.drawn_case]
    assert min(days) >= date(2024, 7, 1)
    assert max(days) <= date(2026, 9, 30)
    quarters = Counter((day.year, (day.month + 2) // 3) for day in days)
    assert len(quarters) == 9
    assert min(quarters.values()) >= 25


def test_no_scan_is_before_its_operation_and_no_reading_before_its_scan(unit):
    assert all(
        reading.case.operated_on <= reading.scan_on <= reading.read_on <= YEAR_END
        for reading in unit.readings
    )


def test_no_reader_operated_or_assisted_at_the_case_they_read(unit):
    assert all(reading.reader not in reading.case.team for reading in unit.readings)
    assert any(people.FELLOW in case.team for case in unit.cases)


def test_two_readings_of_a_screw_are_two_persons(unit):
    readers = defaultdict(list)
    for reading in unit.readings:
        place = (reading.case.reference, reading.screw.level, reading.screw.side)
        readers[(*place, reading.scan_on, reading.scan_kind)].append(reading.reader)
    assert all(len(set(names)) == len(names) for names in readers.values())


def test_a_share_is_read_twice_and_some_differences_are_decided(unit):
    roles = Counter(reading.role.value for reading in unit.readings)
    assert 0.14 <= roles["second"] / roles["first"] <= 0.21
    assert roles["adjudication"] >= 10


def test_each_surgeon_has_a_case_mix_of_their_own(unit):
    def shares(surgeon):
        screws = [screw for case in unit.cases if case.surgeon == surgeon for screw in case.screws]
        thoracic = sum(screw.level.startswith("T") for screw in screws) / len(screws)
        trainee = sum(screw.operator in people.TRAINEES for screw in screws) / len(screws)
        return thoracic, trainee, Counter(screw.technique.value for screw in screws)

    assert shares(people.DEGENERATIVE_SURGEON)[0] < 0.05
    assert 0.3 < shares(people.TRAUMA_SURGEON)[0] < 0.8
    assert shares(people.TUMOUR_SURGEON)[0] > 0.6
    assert shares(people.DEFORMITY_SURGEON)[2]["in-out-in"] > 5
    assert shares(people.PERCUTANEOUS_SURGEON)[2].most_common(1)[0][0] == "percutaneous"
    assert shares(people.TEACHING_SURGEON)[1] > 0.6


def test_what_a_registry_has_to_hold_is_there(unit):
    screws = [screw for case in unit.cases for screw in case.screws]
    assert {screw.life.value for screw in screws} == {"placed", "redirected", "removed", "retained"}
    assert len({screw.technique for screw in screws}) == 11
    assert len({screw.guidance for screw in screws}) == 5
    assert {screw.intention.value for screw in screws if screw.intention} == {
        "in-out-in",
        "bicortical",
    }
    patients = Counter(case.patient.reference for case in unit.cases)
    assert sum(count == 2 for count in patients.values()) >= 10
    assert len({case.no_scan_reason for case in unit.cases}) == 5
    assert {reading.scan_reason.value for reading in unit.readings} >= {"routine", "symptoms"}
    assert len({reading.not_assessable for reading in unit.readings}) == 3


def test_readers_with_the_images_measure_most_angles_and_the_isthmus_needs_less(unit):
    read = [each for each in unit.readings if each.convergence_tenths is not None]
    assert {each.method.value for each in read} == {"contour", "calliper", "by eye"}
    assert 0.2 < len(read) / len(unit.readings) < 0.6
    for level in ("L3", "L4", "L5"):
        of = {
            technique: [
                each.convergence_tenths / 10
                for each in read
                if (each.screw.level, each.screw.technique) == (level, technique)
            ]
            for technique in (EntryTechnique.ISTHMUS, EntryTechnique.LATERAL_INTERSECTION)
        }
        isthmus, lateral = (sum(found) / len(found) for found in of.values())
        assert isthmus < lateral - 2
        usual = usual_convergence(level, EntryTechnique.LATERAL_INTERSECTION)
        assert usual.contains(lateral)


def test_no_reading_is_of_a_screw_that_is_not_counted(unit):
    assert all(reading.screw.life in COUNTED_LIVES for reading in unit.readings)


def test_the_drawn_case_says_of_its_screws_what_the_drawing_says_and_no_reading(unit, drawn):
    case = unit.drawn_case
    assert case.patient.reference == PatientIdentity().patient_id
    said = [
        (screw.level, screw.side, screw.technique.value, screw.guidance.value)
        for screw in case.screws
    ]
    assert said == [
        (screw.level, screw.side, screw.entry_technique, screw.guidance) for screw in drawn
    ]
    sizes = [(screw.diameter_mm, screw.length_mm) for screw in case.screws]
    assert sizes == [(screw.diameter_mm, screw.length_mm) for screw in drawn]
    assert not [reading for reading in unit.readings if reading.case is case]


def test_each_quarter_was_laid_before_its_surgeons_who_all_answered_in_their_days(unit):
    surgeons = defaultdict(set)
    for case in unit.cases:
        if case != unit.drawn_case:  # its quarter is not over
            surgeons[quarter_of(case.operated_on).name].add(case.surgeon)
    rounds = {each.period: each for each in unit.rounds()}
    assert set(rounds) == set(surgeons)
    for period, found in rounds.items():
        days = (found.laid_at.date() - quarter(period).last).days
        assert 1 <= days <= 7
        assert {answer.surgeon for answer in found.answers} == surgeons[period]
        last = found.laid_at.date() + timedelta(days=Settings().reply_days)
        assert all(
            found.laid_at < answer.at and answer.at.date() <= last for answer in found.answers
        )
    accounts = {account.person for account in people.ACCOUNTS}
    assert set().union(*surgeons.values()) <= accounts
    assert unit.rounds() == unit.rounds()


def test_every_person_has_one_role_and_a_name_of_their_own():
    surgeons = {value for name, value in vars(people).items() if name.endswith("_SURGEON")}
    others = {*people.TRAINEES, *people.READERS, people.ADJUDICATOR}
    assert len(surgeons) == 6
    assert len(surgeons | others) == 6 + len(people.TRAINEES) + len(people.READERS) + 1
    assert {account.person for account in people.ACCOUNTS} <= surgeons | others | {None}


def test_the_note_and_the_unit_s_name_say_that_all_is_invented():
    assert "invented" in people.NOTE.lower()
    assert "invented" in people.UNIT_NAME.lower()
    assert len(people.PASSPHRASE) >= 15


def test_the_case_that_was_read_says_of_its_screws_what_the_drawing_says(unit, drawn):
    case = unit.read_case
    plans = {(screw.level, screw.side): screw for screw in drawn}
    assert len(case.screws) == 6
    for screw in case.screws:
        plan = plans[screw.level, screw.side]
        said = (screw.technique.value, screw.guidance.value, screw.diameter_mm, screw.length_mm)
        assert said == (plan.entry_technique, plan.guidance, plan.diameter_mm, plan.length_mm)
    assert not [
        reading
        for reading in unit.readings
        if reading.case.patient == case.patient and reading.case.operated_on == case.operated_on
    ]
    assert {people.FELLOW, people.REGISTRAR}.isdisjoint(case.team)


def test_its_readers_marks_measure_about_what_the_drawing_knows(unit, drawn):
    truth = {(screw.level, screw.side): screw for screw in drawn}
    for marked in unit.marked_screws():
        screw = truth[marked.level, marked.side]
        axis = ScrewAxis(point(marked.entry_mm), point(marked.tip_mm))
        placing = Placing(axis, (point(marked.midplane_mm[0]), point(marked.midplane_mm[1])))
        for reader in marked.cortex_mm:
            curves = {
                depth: fit_curve(
                    patient_to_section(places, placing.frame(depth, Side(marked.side)))
                )
                for depth, places in reader.items()
            }
            found = pedicle_extents(screw.diameter_mm / 2, curves, length_mm=axis.length_mm)
            for wall, extent in found.by_wall.items():
                assert abs(extent.extent_mm - screw.extents_mm[wall]) < 0.9, (marked.level, wall)
