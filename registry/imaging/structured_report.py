"""A case's readings as a DICOM structured report: TID 1500 in a Comprehensive 3D SR.

PS3.3 Table A.35.13-1 and PS3.16 TID 1500. Every code stands in `report_codes`.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from highdicom.sr import (
    Comprehensive3DSR,
    DeviceObserverIdentifyingAttributes,
    MeasurementReport,
    ObservationContext,
    ObserverContext,
    PersonObserverIdentifyingAttributes,
)
from pydicom import Dataset
from pydicom.config import disable_value_validation
from pydicom.sr.codedict import codes
from pydicom.uid import ExplicitVRLittleEndian

from registry.imaging import report_codes as code
from registry.imaging.parsing import without_warnings
from registry.imaging.pseudonymous import mark_pseudonymous
from registry.imaging.report_groups import ReportedScrew, group

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date, datetime

    from registry.imaging.identity import ScanIdentity

PROGRAM = "Pedicle Ledger"
DESCRIPTION = "Screw placement, audit only; not for diagnosis or treatment"
# A person observer has a name in TID 1003; the audit reads blind and gives none away.
_NOBODY = "Reader^Not named"
_SERIES_NUMBER = 9801
_SEXES = {"M", "F", "O"}
# DA and TM of PS3.5 section 6.2.
_DAY = re.compile(r"[0-9]{8}")
_TIME = re.compile(r"[0-9]{2}([0-9]{2}([0-9]{2}(\.[0-9]{1,6})?)?)?")


@dataclass(frozen=True)
class Verifier:
    """Who answers for a report: a person's name and their organisation."""

    name: str
    organisation: str


@dataclass(frozen=True)
class Report:
    """What a report is made of.

    Attributes
    ----------
    identity : of the patient, the study and the images that it reports on
    is_pseudonymous : the identity is replaced; the report says so (PS3.15 Annex E)
    screws : at least one, in the order of the report
    is_adjudication : the person observer decided between two readings
    series_uid, sop_uid, device_uid : of the report's series, of itself, of the ledger
    made_at : aware, in the unit's zone
    content_day : that it is dated by; the day of `made_at`, or the scan's as it was moved
    verifier : who answers for it, or None: it is then UNVERIFIED
    """

    identity: ScanIdentity
    is_pseudonymous: bool
    screws: Sequence[ReportedScrew]
    is_adjudication: bool
    series_uid: str
    sop_uid: str
    device_uid: str
    made_at: datetime
    content_day: date
    verifier: Verifier | None = None


@without_warnings()
def report_dataset(report: Report) -> Comprehensive3DSR:
    """Return a report as a data set; no message and no log of it quotes the identity."""
    content = MeasurementReport(
        observation_context=_observed_by(report),
        procedure_reported=code.PROCEDURE,
        imaging_measurements=[group(screw, report.identity) for screw in report.screws],
        title=code.TITLE,
    )
    made = Comprehensive3DSR(
        evidence=list(_evidence(report.identity)),
        content=content,
        series_instance_uid=report.series_uid,
        series_number=_SERIES_NUMBER,
        sop_instance_uid=report.sop_uid,
        instance_number=1,
        manufacturer=PROGRAM,
        manufacturer_model_name=PROGRAM,
        series_description=DESCRIPTION,
        is_complete=True,
        is_final=report.verifier is not None,
        is_verified=report.verifier is not None,
        verifying_observer_name="Verifier^To be named" if report.verifier else None,
        verifying_organization=report.verifier.organisation if report.verifier else None,
        transfer_syntax_uid=ExplicitVRLittleEndian,
        coding_schemes=[code.scheme()],
    )
    # The hospital's own texts, odd ones included, are written as they came.
    with disable_value_validation():
        made.SpecificCharacterSet = "ISO_IR 192"
        _put_identity(made, report.identity)
        _put_instants(made, report)
        # Its maker's library puts in itself and the clock's instant.
        del made.ContributingEquipmentSequence
        if report.is_pseudonymous:
            mark_pseudonymous(made, is_report=True)
            # Table E.1-1 removes it; the content itself says what it is for.
            del made.SeriesDescription
    return made


def report_bytes(report: Report) -> bytes:
    """Return a report as the bytes of a DICOM file."""
    made = report_dataset(report)
    buffer = io.BytesIO()
    with disable_value_validation(), without_warnings():
        made.save_as(buffer)
    return buffer.getvalue()


def _observed_by(report: Report) -> ObservationContext:
    """Return the reader's role (TID 1003, CID 7453) and the program (TID 1004)."""
    role = code.ADJUDICATOR if report.is_adjudication else code.READER
    return ObservationContext(
        observer_person_context=ObserverContext(
            codes.DCM.Person,
            PersonObserverIdentifyingAttributes(name=_NOBODY, role_in_procedure=role),
        ),
        observer_device_context=ObserverContext(
            codes.DCM.Device,
            DeviceObserverIdentifyingAttributes(uid=report.device_uid, name=PROGRAM),
        ),
    )


def _evidence(identity: ScanIdentity) -> Iterator[Dataset]:
    """Yield what the report's maker needs of each image: references, and places for the rest."""
    for uid in dict.fromkeys(identity.sop_uids):
        image = Dataset()
        image.SOPClassUID, image.SOPInstanceUID = identity.sop_class_uid, uid
        image.StudyInstanceUID, image.SeriesInstanceUID = identity.study_uid, identity.series_uid
        for keyword in (
            *("PatientID", "PatientName", "PatientBirthDate", "PatientSex", "AccessionNumber"),
            *("StudyID", "StudyDate", "StudyTime", "ReferringPhysicianName"),
        ):
            setattr(image, keyword, None)
        yield image


def _put_identity(made: Dataset, identity: ScanIdentity) -> None:
    made.PatientID = identity.patient_id
    made.PatientName = identity.patient_name
    made.PatientBirthDate = _where(_DAY, identity.birth_date)
    made.PatientSex = identity.sex if identity.sex in _SEXES else ""
    made.AccessionNumber = identity.accession
    made.StudyID = identity.study_id
    made.StudyDate = _where(_DAY, identity.study_date)
    made.StudyTime = _where(_TIME, identity.study_time)
    made.ReferringPhysicianName = identity.referring_physician


def _where(form: re.Pattern[str], value: str) -> str:
    """Return a value that has the form of its kind, else nothing: it would not be written whole."""
    return value if form.fullmatch(value) else ""


def _put_instants(made: Dataset, report: Report) -> None:
    day, time = f"{report.content_day:%Y%m%d}", f"{report.made_at:%H%M%S}"
    made.ContentDate, made.ContentTime = day, time
    made.InstanceCreationDate, made.InstanceCreationTime = day, time
    if report.verifier is not None:
        item = made.VerifyingObserverSequence[0]
        item.VerifyingObserverName = report.verifier.name
        item.VerificationDateTime = f"{report.made_at:%Y%m%d%H%M%S%z}"
