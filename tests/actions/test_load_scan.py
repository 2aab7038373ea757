"""A CT goes to its case, once, and asks for readings; nothing half-kept."""

from __future__ import annotations

import json

import numpy as np
import pytest
from sqlalchemy import func, select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.load_scan import ScanOrder, load_scan
from registry.actions.scans_of_case import add_scan_elsewhere
from registry.actions.side_note import SIDE_NOTE
from registry.domain.access import Role
from registry.domain.problems import BadInputError, ConflictError, NotAllowedError
from registry.domain.scans import ScanKind, ScanReason
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.readings import Assignment
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.trail import EventRow
from registry.store.queries.assignments import owed_readings
from registry.store.vault import unseal
from tests.build.loaded import LOG_ROWS, NOW, an_account, load_reading_rows, load_rows
from tests.imaging.written_files import slices, write


@pytest.fixture
def logged(ledger):
    load_rows(ledger, *LOG_ROWS)
    return ledger


def a_folder(tmp_path, name="ct", **attributes):
    folder = tmp_path / name
    write(slices(12, **attributes), folder)
    return folder


def load(ledger, folder, *, viewer=None, **order):
    return load_scan(ledger, viewer or acting(ledger, None), [folder], ScanOrder(**order), NOW)


def counts(ledger):
    with ledger.reading() as session:
        rows = [
            session.execute(select(func.count()).select_from(model)).scalar()
            for model in (Scan, HeldImage, VaultEntry, Assignment, EventRow)
        ]
    return [*rows, len(ledger.images.digests())]


def test_the_hospital_number_finds_the_case_and_every_screw_is_to_be_read(logged, tmp_path):
    loaded = load(logged, a_folder(tmp_path))
    assert (loaded.case_ref, str(loaded.scanned_on)) == ("OP-1", "2026-03-02")
    assert (loaded.is_new, loaded.readings_owed, loaded.shape[0]) == (True, 4, 12)
    assert check_ledger(logged, acting(logged, None)) == []


def test_of_a_scan_held_elsewhere_neither_who_entered_it_nor_who_attaches_its_image_is_blind(
    logged, tmp_path
):
    lena = an_account(logged, "lena", Role.QUALITY_LEAD, person="Lena Lead", new_person=True)
    rita = an_account(logged, "rita", Role.REGISTRAR, person="Rita Reader", new_person=True)
    fresh = an_account(logged, "otto", Role.REGISTRAR, person="Otto Reader", new_person=True)
    said = {"scanned_on": "2026-03-02", "kind": "post-operative CT", "reason": "routine"}
    entered = add_scan_elsewhere(
        logged, lena, 1, {**said, "is_adequate": "yes"}, today=NOW.date(), now=NOW
    )
    assert load(logged, a_folder(tmp_path), viewer=rita).is_new
    for viewer, is_known in ((lena, True), (rita, True), (fresh, False)):
        with logged.reading() as session:
            owed = owed_readings(session, viewer)
        assert {(each.scan_id, each.is_known_to_viewer) for each in owed} == {(entered, is_known)}
    assert check_ledger(logged, acting(logged, None)) == []


def test_the_same_series_again_changes_nothing(logged, tmp_path):
    load(logged, a_folder(tmp_path))
    before = counts(logged)
    again = load(logged, a_folder(tmp_path))
    assert (again.is_new, again.readings_owed) == (False, 0)
    assert counts(logged) == before


REFUSALS = {
    "to another case of the patient": (
        {},
        {"case_ref": "OP-2", "patient_because": "the log had the wrong number"},
        ConflictError,
    ),
    "to a case of another patient": ({"series": 6}, {"case_ref": "OP-2"}, BadInputError),
    "to a case of a patient born on another day": (
        {"series": 6, "PatientBirthDate": "19600103"},
        {"case_ref": "OP-1"},
        BadInputError,
    ),
    "of a patient born on another day": (
        {"series": 6, "PatientBirthDate": "19600103"},
        {},
        BadInputError,
    ),
    "from before the operation, though confirmed": (
        {"AcquisitionDate": "20260101", "series": 4},
        {"case_ref": "OP-1", "patient_because": "certain"},
        BadInputError,
    ),
    "another of two studies": ({"series": 6, "study": 6}, {"series": 9}, BadInputError),
    "as another kind": ({}, {"kind": ScanKind.INTRA_OPERATIVE_3D}, ConflictError),
    "another series of the same day": ({"series": 2}, {}, ConflictError),
    "of an unknown patient": ({"PatientID": "X", "series": 3}, {}, BadInputError),
    "to an unknown case": ({}, {"case_ref": "OP-99"}, BadInputError),
    "from before every operation": (
        {"AcquisitionDate": "20260101", "series": 4},
        {},
        BadInputError,
    ),
}


@pytest.mark.parametrize(("files", "order", "kind"), REFUSALS.values(), ids=REFUSALS)
def test_what_does_not_fit_is_refused_and_leaves_nothing(logged, tmp_path, files, order, kind):
    load(logged, a_folder(tmp_path))
    before = counts(logged)
    with pytest.raises(kind) as refused:
        load(logged, a_folder(tmp_path, "other", **files), **order)
    assert len(refused.value.lines()) == 1
    assert "INV-0001" not in str(refused.value)
    assert counts(logged) == before
    assert check_ledger(logged, acting(logged, None)) == []


def test_a_refusal_without_an_earlier_load_keeps_no_image(logged, tmp_path):
    before = counts(logged)
    with pytest.raises(BadInputError):
        load(logged, a_folder(tmp_path, PatientID="nobody"))
    assert counts(logged) == before
    assert counts(logged)[-1] == 0


def test_a_scan_known_by_its_day_gets_its_image(logged, tmp_path):
    load_reading_rows(logged, {"case_ref": "OP-1", "read_on": "2026-03-02"})
    loaded = load(logged, a_folder(tmp_path), reason=ScanReason.ROUTINE)
    assert loaded.readings_owed == 3  # one of the four was read elsewhere
    with logged.reading() as session:
        scan = session.execute(select(Scan)).scalar_one()
        assert (scan.image_id, scan.reason, scan.version) == (1, "routine", 2)
    assert check_ledger(logged, acting(logged, None)) == []


@pytest.mark.parametrize(
    ("order", "owed"),
    [
        ({"reason": ScanReason.SYMPTOMS}, 0),
        ({"reason": ScanReason.OTHER}, 4),
        ({"kind": ScanKind.INTRA_OPERATIVE_3D}, 0),
        ({"kind": ScanKind.LATER_CT}, 0),
    ],
)
def test_only_the_audit_scan_asks_for_readings(logged, tmp_path, order, owed):
    assert load(logged, a_folder(tmp_path), **order).readings_owed == owed


def test_a_patient_whom_somebody_answers_for_is_noted_and_the_reason_kept(logged, tmp_path):
    files = a_folder(tmp_path, PatientBirthDate="19600103")
    because = "the files carry an emergency number"
    loaded = load(logged, files, case_ref="OP-2", patient_because=because)
    assert loaded.case_ref == "OP-2"
    (warning,) = loaded.warnings
    assert warning.startswith("the hospital number in the files is not the case's patient's; a ")
    with logged.reading() as session:
        (kept,) = session.execute(select(Scan.warnings)).scalars()
        reasons = session.execute(
            select(EventRow.reason).where(EventRow.verb == "attach a scan")
        ).scalars()
        assert list(reasons) == [because]
    assert list(loaded.warnings) == json.loads(kept)


@pytest.mark.parametrize("attribute", ["PatientID", "PatientBirthDate"])
def test_what_the_files_do_not_say_is_no_objection(logged, tmp_path, attribute):
    assert load(logged, a_folder(tmp_path, **{attribute: ""}), case_ref="OP-1").is_new


def test_a_case_narrows_what_several_patients_left_in_one_folder(logged, tmp_path):
    folder = a_folder(tmp_path)
    write(slices(14, series=2, study=2, PatientID="H300-7191"), folder / "other")
    loaded = load(logged, folder, case_ref="OP-3")
    assert (loaded.case_ref, loaded.shape[0]) == ("OP-3", 14)
    # By their numbers both have a case: only a person can say which is meant.
    with pytest.raises(BadInputError, match="more than one study lies here"):
        load(logged, folder)
    assert load(logged, folder, series=2).case_ref == "OP-1"


def test_an_earlier_scan_beside_the_right_one_is_passed_over(logged, tmp_path):
    folder = a_folder(tmp_path)
    early = {"AcquisitionDate": "20260101", "StudyDate": "20260101"}
    write(slices(40, series=2, study=2, **early), folder / "before")
    assert str(load(logged, folder, case_ref="OP-1").scanned_on) == "2026-03-02"


def test_of_two_operations_the_last_before_the_scan_is_meant(logged, tmp_path):
    loaded = load(logged, a_folder(tmp_path, PatientID="H200-7191"))
    assert loaded.case_ref == "OP-5"


def test_the_hospital_s_identifiers_are_in_the_vault_alone(logged, tmp_path):
    load(logged, a_folder(tmp_path))
    with logged.reading() as session:
        entry, pseudonym, series = session.execute(
            select(VaultEntry.sealed, Patient.pseudonym, Scan.series_hash)
            .join(Patient, Patient.id == VaultEntry.patient_id)
            .join(Scan, Scan.id == VaultEntry.scan_id)
        ).one()
    key = logged.keys.patient_key(pseudonym)
    identity = json.loads(unseal(key, entry, f"{pseudonym} {series}"))
    assert identity["patient_id"] == "INV-0001"
    assert identity["series_uid"].endswith(".1.1")


def metal_on(side):
    """Return a column of bone and a rod of metal beside it, 20 mm to one side of the middle."""
    values = np.zeros((48, 96), dtype=np.int16)  # stored values: 1024 below their Hounsfield units
    values[10:40, 28:68] = 1024 + 400
    middle = 68 if side == "L" else 28  # columns run to the patient's left
    values[20:28, middle - 4 : middle + 4] = 1024 + 3000
    return values


@pytest.mark.parametrize("place", ["sqlite"], indirect=True)
@pytest.mark.parametrize("side", "LR")
def test_metal_on_the_other_side_from_the_log_is_noted_and_not_refused(logged, tmp_path, side):
    # OP-3 has one screw, a left one.
    folder = tmp_path / "ct"
    write(slices(12, values=metal_on(side), spacing=(1, 1), PatientID="H300-7191"), folder)
    loaded = load(logged, folder)
    assert loaded.case_ref == "OP-3"
    assert (SIDE_NOTE in loaded.warnings) is (side == "R")


@pytest.mark.parametrize("role", Role)
def test_registrar_and_lead_load_scans(logged, tmp_path, role):
    viewer = an_account(logged, "someone", role, person="Anna Berg")
    if role in {Role.REGISTRAR, Role.QUALITY_LEAD}:
        assert load(logged, a_folder(tmp_path), viewer=viewer).is_new
    else:
        with pytest.raises(NotAllowedError):
            load(logged, a_folder(tmp_path), viewer=viewer)
