"""The structured report, read back row by row by highdicom, and looked at by dciodvfy and dcmtk.

Codes: DICOM PS3.16, context groups 2, 244, 4031, 6115, 7021, 7157, 7453 and 7603, by the numbers
that stand in pydicom 3.0.2's copy of them.
"""

from __future__ import annotations

import dataclasses
from datetime import date, datetime
from decimal import Decimal
from io import BytesIO
from zoneinfo import ZoneInfo

import pytest
from highdicom.sr import srread
from pydicom import dcmread
from pydicom.config import disable_value_validation

from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.domain.levels import LEVELS
from registry.domain.readings import (
    Confidence,
    Method,
    NotAssessableReason,
    ProposalSeen,
    ReadingRole,
)
from registry.domain.scales import SCALES
from registry.imaging import report_codes
from registry.imaging.identity import ScanIdentity
from registry.imaging.report_groups import ReportedScrew
from registry.imaging.structured_report import Report, Verifier, report_bytes
from tests.build.validators import complaints, dumped_report

ROOT = "1.2.826.0.1.3680043.10.9999"
IDENTITY = ScanIdentity(
    patient_id="INV-0001",
    patient_name="Müller^Änne",
    birth_date="19600102",
    sex="F",
    accession="ACC-77",
    study_uid=f"{ROOT}.1",
    study_id="S-1",
    study_date="20260301",
    study_time="101112",
    referring_physician="Referring^Doctor",
    series_uid=f"{ROOT}.1.1",
    frame_of_reference_uid=f"{ROOT}.1.99",
    sop_class_uid="1.2.840.10008.5.1.4.1.1.2",
    sop_uids=tuple(f"{ROOT}.1.1.{k + 1}" for k in range(12)),
)
VERTEBRAE = {
    "C2": "39976000", "C3": "113205007", "C4": "5329002", "C5": "36978003", "C6": "36054005",
    "C7": "87391001", "T1": "64864005", "T2": "53733008", "T3": "1626008", "T4": "73071006",
    "T5": "56401006", "T6": "45296009", "T7": "62487009", "T8": "11068009", "T9": "82687006",
    "T10": "7610001", "T11": "12989004", "T12": "23215003", "L1": "66794005", "L2": "14293000",
    "L3": "36470004", "L4": "11994002", "L5": "49668003",
}  # fmt: skip
OTHER_BONES = {
    "T13": ("99LEDGER", "VERTEBRA-T13"),
    "L6": ("99LEDGER", "VERTEBRA-L6"),
    "S1": ("SCT", "54735007"),
    "S2 alar-iliac": ("SCT", "54735007"),
    "ilium": ("SCT", "22356005"),
}
DIRECTIONS = {
    Direction.MEDIAL: "255561001",
    Direction.LATERAL: "49370004",
    Direction.CRANIAL: "66787007",
    Direction.CAUDAL: "3583002",
    Direction.ANTERIOR: "255549009",
    Direction.BODY_LATERAL: "49370004",
    Direction.ENDPLATE: "ENDPLATE",
}


def a_screw(level="L4", **changes) -> ReportedScrew:
    screw = ReportedScrew(
        tracking_uid="2.25.1001",
        level=level,
        side=Side.LEFT,
        number=1,
        reading=report_codes.ROLES[ReadingRole.FIRST],
        scale="gertzbein-robbins",
        is_assessable=True,
        extents_mm=dict.fromkeys(PEDICLE_WALLS, Decimal("0.0"))
        | {Direction.MEDIAL: Decimal("2.4"), Direction.ANTERIOR: Decimal("1.1")},
        sd_mm={Direction.MEDIAL: Decimal("0.6"), Direction.ANTERIOR: Decimal("0.7")},
        grade="C",
        method=Method.CONTOUR,
        confidence=Confidence.MODERATE,
        is_blind=True,
        diameter_mm=Decimal("6.5"),
        length_mm=Decimal(45),
        convergence_deg=Decimal("12.3"),
        sagittal_deg=Decimal("-4.5"),
        bearing_deg=Decimal("3.1"),
        axis_mm=((20.0, -10.0, 5.5), (14.0, -50.25, 7.0)),
        slices=(2, 4),
    )
    return dataclasses.replace(screw, **changes)


def a_report(*screws, verifier=None, identity=IDENTITY) -> Report:
    return Report(
        identity=identity,
        is_pseudonymous=False,
        screws=screws,
        is_adjudication=False,
        series_uid="2.25.51",
        sop_uid="2.25.52",
        device_uid="2.25.53",
        made_at=datetime(2026, 3, 31, 12, 0, 5, tzinfo=ZoneInfo("Europe/Berlin")),
        content_day=date(2026, 3, 31),
        verifier=verifier,
    )


def read_back(report: Report):
    found = srread(BytesIO(report_bytes(report)))
    return found, found.content.get_image_measurement_groups()


def said(concept) -> tuple[str, str]:
    return concept.scheme_designator, concept.value


def extents(group, name="EXTENT"):
    """Return (bone, side, direction) to millimetres of a group's extents."""
    found = {}
    for measured in group.get_measurements():
        if measured.name.value != name:
            continue
        assert said(measured.unit) == ("UCUM", "mm")
        (site,) = measured.finding_sites
        place = (site.value.value, site.laterality.value, site.topographical_modifier.value)
        assert place not in found
        found[place] = measured.value
    return found


def by_method(group):
    return {
        (measured.name.value, measured.method.value): (measured.value, measured.unit.value)
        for measured in group.get_measurements()
        if measured.method is not None
    }


def evaluations(group):
    return {e.name.value: said(e.value) for e in group.get_qualitative_evaluations()}


def test_every_row_of_a_screw_is_read_back_as_it_was_given():
    _, (group,) = read_back(a_report(a_screw()))
    assert (group.tracking_identifier, group.tracking_uid) == ("L4 left", "2.25.1001")
    assert said(group.finding_type) == ("SCT", "68183006")
    (site,) = group.finding_sites
    assert said(site.value) == ("SCT", "11994002")
    assert said(site.laterality) == ("SCT", "7771000")
    assert said(group.method) == ("99LEDGER", "CONTOUR")
    pedicle, left = "78972004", "7771000"
    assert extents(group) == {
        (pedicle, left, "255561001"): 2.4,
        (pedicle, left, "49370004"): 0.0,
        (pedicle, left, "66787007"): 0.0,
        (pedicle, left, "3583002"): 0.0,
        ("BODY", left, "255549009"): 1.1,
    }
    assert extents(group, "EXTENT-SD") == {
        (pedicle, left, "255561001"): 0.6,
        ("BODY", left, "255549009"): 0.7,
    }
    assert by_method(group) == {
        ("81827009", "CATALOGUED"): (6.5, "mm"),
        ("410668003", "CATALOGUED"): (45.0, "mm"),
        ("1483009", "CONVERGENCE"): (12.3, "deg"),
        ("1483009", "SAGITTAL"): (-4.5, "deg"),
        ("1483009", "BEARING"): (3.1, "deg"),
        # (6, 40.25, 1.5) is 40.72... long
        ("410668003", "ENTRY-TO-TIP"): (40.7, "mm"),
    }
    assert evaluations(group) == {
        "PURPOSE": ("99LEDGER", "AUDIT"),
        "CAUTION": ("99LEDGER", "POLICY"),
        "READING": ("99LEDGER", "FIRST"),
        "BLIND": ("SCT", "373066001"),
        "GRADE-GR": ("99LEDGER", "GR-C"),
        "CONFIDENCE": ("99LEDGER", "MODERATE"),
    }
    assert [image.referenced_sop_instance_uid for image in group.source_images] == list(
        IDENTITY.sop_uids[2:5]
    )


def test_the_axis_is_a_line_of_two_points_in_the_scans_frame_of_reference():
    _, (group,) = read_back(a_report(a_screw()))
    (axis,) = [m for m in group.get_measurements() if m.referenced_coordinates]
    (line,) = axis.referenced_coordinates
    assert line.graphic_type.value == "POLYLINE"
    assert line.value.tolist() == [[20.0, -10.0, 5.5], [14.0, -50.25, 7.0]]
    assert line.frame_of_reference_uid == IDENTITY.frame_of_reference_uid
    without = dataclasses.replace(IDENTITY, frame_of_reference_uid="")
    _, (group,) = read_back(a_report(a_screw(), identity=without))
    assert not [m for m in group.get_measurements() if m.referenced_coordinates]


def test_of_a_multi_frame_image_the_image_itself_is_the_source():
    multi_frame = dataclasses.replace(
        IDENTITY, sop_class_uid="1.2.840.10008.5.1.4.1.1.2.1", sop_uids=(f"{ROOT}.1.1.1",) * 12
    )
    _, (group,) = read_back(a_report(a_screw(), identity=multi_frame))
    (image,) = group.source_images
    assert image.referenced_sop_instance_uid == f"{ROOT}.1.1.1"
    assert image.referenced_sop_class_uid == "1.2.840.10008.5.1.4.1.1.2.1"


@pytest.fixture(scope="module")
def groups_by_level():
    """One report with a screw at every level: making and reading it takes a while."""
    walls = dict.fromkeys(Direction, Decimal("1.5"))
    given = {"side": Side.RIGHT, "extents_mm": walls, "sd_mm": {}, "grade": None, "number": 2}
    screws = [a_screw(level.code, **given) for level in LEVELS]
    _, groups = read_back(a_report(*screws))
    return dict(zip([level.code for level in LEVELS], groups, strict=True))


@pytest.mark.parametrize("level", [level.code for level in LEVELS])
def test_each_level_has_its_bone_and_each_extent_its_part_of_it(groups_by_level, level):
    group = groups_by_level[level]
    (site,) = group.finding_sites
    code = ("SCT", VERTEBRAE[level]) if level in VERTEBRAE else OTHER_BONES[level]
    assert said(site.value) == code
    assert said(site.laterality) == ("SCT", "24028007")
    segment = {"S1": "SEGMENT-S1", "S2 alar-iliac": "SEGMENT-S2"}.get(level)
    assert (site.topographical_modifier and site.topographical_modifier.value) == segment
    assert group.tracking_identifier == f"{level} right, number 2"
    is_pelvic = level in {"S2 alar-iliac", "ilium"}
    directions = DIRECTIONS | ({Direction.BODY_LATERAL: "BODY-LATERAL"} if is_pelvic else {})
    assert extents(group) == {
        (
            code[1] if is_pelvic else "78972004" if wall in PEDICLE_WALLS else "BODY",
            "24028007",
            directions[wall],
        ): 1.5
        for wall in Direction
    }
    assert ("GRADE-GR" in evaluations(group)) is not is_pelvic


def test_what_was_not_measured_is_absent_and_never_nought():
    screw = a_screw(
        "S1",
        extents_mm={Direction.MEDIAL: Decimal("0.0")},
        sd_mm={Direction.CAUDAL: Decimal("0.5")},
        grade=None,
        convergence_deg=None,
        sagittal_deg=None,
        bearing_deg=None,
        diameter_mm=None,
        length_mm=None,
        axis_mm=None,
        slices=None,
    )
    _, (group,) = read_back(a_report(screw))
    assert list(extents(group).values()) == [0.0]
    assert len(group.get_measurements()) == 1
    assert evaluations(group)["GRADE-GR"] == ("99LEDGER", "PARTLY-READ")


def test_a_screw_that_cannot_be_read_has_a_reason_and_no_number():
    values = {
        NotAssessableReason.ARTEFACT: "NA-ARTEFACT",
        NotAssessableReason.NOT_COVERED: "NA-NOT-COVERED",
        NotAssessableReason.SCREW_NOT_THERE: "NA-NOT-THERE",
        None: "NOT-ASSESSABLE",
    }
    unread = {"is_assessable": False, "grade": None}
    screws = [a_screw(not_assessable=reason, **unread) for reason in values]
    for group, value in zip(read_back(a_report(*screws))[1], values.values(), strict=True):
        assert group.get_measurements() == []
        assert evaluations(group)["ASSESSABLE"] == ("99LEDGER", value)
        assert "GRADE-GR" not in evaluations(group)


def test_what_proposed_to_a_reader_is_named_where_it_was_shown_and_nowhere_else():
    seen = a_screw("L3", proposals_seen=(ProposalSeen.AFTER_OWN,), algorithm_version="7")
    _, groups = read_back(a_report(seen, a_screw("L4")))
    named = [
        {
            said(item.name)[1]: item.value
            for item in group[0].ContentSequence
            # TID 4019: algorithm name 111001 and version 111003 (DCM).
            if said(item.name) in {("DCM", "111001"), ("DCM", "111003")}
        }
        for group in groups
    ]
    assert named == [{"111001": report_codes.ALGORITHM, "111003": "7"}, {}]
    assert evaluations(groups[0])["PROPOSAL"] == ("99LEDGER", "AFTER_OWN")
    assert "PROPOSAL" not in evaluations(groups[1])


@pytest.mark.parametrize("value", ["NaN", "Infinity"])
def test_what_is_no_number_is_refused(value):
    with pytest.raises(ValueError, match="is no measurement"):
        report_bytes(a_report(a_screw(extents_mm={Direction.MEDIAL: Decimal(value)})))


def test_the_report_says_who_observed_and_names_no_reader():
    found, _ = read_back(a_report(a_screw()))
    context = {
        item.name.value: item.value
        for item in found.content[0].ContentSequence
        if item.relationship_type.value == "HAS OBS CONTEXT"
    }
    assert said(context["121011"]) == ("NCIt", "C28747")
    assert context["121008"] == "Reader^Not named"
    assert context["121012"] == "2.25.53"
    deciding = dataclasses.replace(a_report(a_screw()), is_adjudication=True)
    found, _ = read_back(deciding)
    roles = [i for i in found.content[0].ContentSequence if i.name.value == "121011"]
    assert said(roles[0].value) == ("NCIt", "C96561")


def test_patient_and_study_are_the_hospitals_own_and_the_days_are_handed_in():
    found = dcmread(BytesIO(report_bytes(a_report(a_screw()))))
    assert (found.PatientID, found.PatientName, found.PatientSex) == (
        "INV-0001",
        "Müller^Änne",
        "F",
    )
    assert (found.StudyInstanceUID, found.StudyDate, found.StudyID) == (
        *(IDENTITY.study_uid, "20260301", "S-1"),
    )
    assert (found.AccessionNumber, found.ReferringPhysicianName) == ("ACC-77", "Referring^Doctor")
    assert (found.ContentDate, found.ContentTime) == ("20260331", "120005")
    assert "PatientIdentityRemoved" not in found
    images = {
        item.ReferencedSOPInstanceUID
        for name in ("CurrentRequestedProcedureEvidenceSequence",)
        for study in found[name].value
        for series in study.ReferencedSeriesSequence
        for item in series.ReferencedSOPSequence
    }
    assert images == set(IDENTITY.sop_uids)
    assert report_bytes(a_report(a_screw())) == report_bytes(a_report(a_screw()))


@pytest.mark.parametrize(
    "odd",
    [
        {"patient_name": "No carets here", "sex": "U", "birth_date": "1960", "study_time": "x"},
        {"accession": "an accession number of far more than sixteen", "study_date": ""},
    ],
    ids=["odd values", "long values"],
)
def test_the_hospitals_odd_values_leave_as_they_came_and_are_quoted_nowhere(odd, caplog):
    identity = dataclasses.replace(IDENTITY, **odd)
    # A warning would end the test here.
    made = report_bytes(a_report(a_screw(), identity=identity))
    assert not [
        r for r in caplog.records if any(str(v) in r.getMessage() for v in odd.values() if v)
    ]
    with disable_value_validation():
        found = dcmread(BytesIO(made))
        found.decode()
    if "patient_name" in odd:
        assert (found.PatientName, found.PatientSex) == ("No carets here", "")
        assert (found.PatientBirthDate, found.StudyTime) == ("", "")
    else:
        assert found.AccessionNumber == odd["accession"]


def test_validators_find_nothing_in_reports_of_either_state(tmp_path):
    screws = [a_screw(level, grade=None) for level in ("C2", "T13", "L4", "S1", "S2 alar-iliac")]
    screws.append(a_screw("L5", is_assessable=False, grade=None))
    screws.append(a_screw("L3", proposals_seen=tuple(ProposalSeen), algorithm_version="1"))
    for verifier, state in ((None, "UNVERIFIED"), (Verifier("Lead^Lena", "Unit"), "VERIFIED")):
        path = tmp_path / f"{state}.dcm"
        path.write_bytes(report_bytes(a_report(*screws, verifier=verifier)))
        assert complaints(path) == []
        text = dumped_report(path)
        assert f"Verification Flag   : {state}" in text
        assert "Completion Flag     : COMPLETE" in text
        assert text.count("Measurement Group") == len(screws)
        assert ("Lead^Lena" in text) is (verifier is not None)


def test_the_reports_own_scheme_is_named_and_begins_with_99():
    found = dcmread(BytesIO(report_bytes(a_report(a_screw()))))
    (item,) = found.CodingSchemeIdentificationSequence
    assert item.CodingSchemeDesignator == "99LEDGER"
    assert item.CodingSchemeName


def test_each_grade_of_each_scale_has_a_code_of_its_own():
    codes = {
        (said(report_codes.scale_name(name)), said(report_codes.grade_value(name, grade)))
        for name, scale in SCALES.items()
        for grade in scale.grades
    }
    assert len(codes) == sum(len(scale.grades) for scale in SCALES.values())
