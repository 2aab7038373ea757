"""What the ledger holds of one patient, for withdrawing them; nothing of it is shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import exists, select
from sqlalchemy.orm import aliased

from registry.domain.arrivals import ENDED, ArrivalState
from registry.store.models.arrivals import ArrivalRow
from registry.store.models.cases import Case, Screw
from registry.store.models.evidence import Evidence
from registry.store.models.findings import Finding
from registry.store.models.outcomes import Outcome
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.proposals import ProposalRow
from registry.store.models.readings import Assignment, Reading
from registry.store.models.replies import Rereading
from registry.store.models.scans import HeldImage, Scan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import ColumnElement, Select
    from sqlalchemy.orm import Session

Row = TypeVar("Row")


@dataclass(frozen=True)
class PatientToWithdraw:
    """A patient, by pseudonym."""

    patient_id: int
    pseudonym: str


def patient_of_case(session: Session, reference: str) -> PatientToWithdraw | None:
    """Return the patient of the case with this reference, or None."""
    return _one(session, select(Case.patient_id).where(Case.reference == reference))


def patient_of_hash(session: Session, hashed: str) -> PatientToWithdraw | None:
    """Return the patient whose hospital number has this keyed hash, or None."""
    return _one(session, select(Patient.id).where(Patient.reference_hash == hashed))


def _one(session: Session, ids: Any) -> PatientToWithdraw | None:  # noqa: ANN401 - a select of ids
    row = session.execute(
        select(Patient.id, Patient.pseudonym).where(
            Patient.id.in_(ids), Patient.withdrawn_at.is_(None)
        )
    ).first()
    return None if row is None else PatientToWithdraw(*row)


def patients_not_yet_withdrawn(
    session: Session, pseudonyms: Sequence[str]
) -> list[PatientToWithdraw]:
    """Return which of these patients the rows do not know to be withdrawn."""
    rows = session.execute(select(Patient.id, Patient.pseudonym, Patient.withdrawn_at))
    wanted = set(pseudonyms)
    return [
        PatientToWithdraw(row[0], row[1]) for row in rows if row[2] is None and row[1] in wanted
    ]


def withdrawn_in_rows(session: Session) -> set[str]:
    """Return the pseudonyms that the rows know to be withdrawn."""
    asked = select(Patient.pseudonym).where(Patient.withdrawn_at.is_not(None))
    return set(session.execute(asked).scalars())


@dataclass(frozen=True)
class HeldOfPatient:
    """The rows that are a patient's, or about them.

    Attributes
    ----------
    proposals : what the program measured on their scans and that is not empty yet
    repeats : readings that were asked for again, with a reason that somebody typed
    images : of their scans and of nobody else's, those that are not removed
    evidence : pictures of their readings, those that are not removed
    pictures : of those, the digests that nobody else's reading names
    other_words : indications and bone qualities that other patients' cases have as well
    """

    vault: Sequence[VaultEntry]
    cases: Sequence[Case]
    screws: Sequence[Screw]
    scans: Sequence[Scan]
    proposals: Sequence[ProposalRow]
    images: Sequence[HeldImage]
    evidence: Sequence[Evidence]
    pictures: frozenset[str]
    readings: Sequence[Reading]
    outcomes: Sequence[Outcome]
    findings: Sequence[Finding]
    rereadings: Sequence[Rereading]
    repeats: Sequence[Assignment]
    other_words: frozenset[str]


def held_of_patient(session: Session, patient_id: int) -> HeldOfPatient:
    """Return everything that the ledger holds of a patient."""
    cases = select(Case.id).where(Case.patient_id == patient_id)
    screws = select(Screw.id).where(Screw.case_id.in_(cases))

    def rows(model: type[Row], condition: ColumnElement[bool]) -> list[Row]:
        return list(session.execute(select(model).where(condition)).scalars())

    return HeldOfPatient(
        vault=rows(VaultEntry, VaultEntry.patient_id == patient_id),
        cases=rows(Case, Case.patient_id == patient_id),
        screws=rows(Screw, Screw.case_id.in_(cases)),
        scans=rows(Scan, Scan.case_id.in_(cases)),
        proposals=rows(
            ProposalRow,
            ProposalRow.scan_id.in_(select(Scan.id).where(Scan.case_id.in_(cases)))
            & (ProposalRow.document != ""),
        ),
        images=_images(session, patient_id),
        evidence=rows(Evidence, Evidence.screw_id.in_(screws) & Evidence.removed_at.is_(None)),
        pictures=_pictures(session, screws),
        readings=rows(Reading, Reading.screw_id.in_(screws)),
        outcomes=rows(Outcome, Outcome.case_id.in_(cases)),
        findings=rows(Finding, Finding.screw_id.in_(screws)),
        rereadings=rows(Rereading, Rereading.screw_id.in_(screws)),
        repeats=rows(
            Assignment, Assignment.screw_id.in_(screws) & Assignment.supersedes_id.is_not(None)
        ),
        other_words=_words_of_others(session, patient_id),
    )


def _images(session: Session, patient_id: int) -> list[HeldImage]:
    own, other = aliased(Case), aliased(Case)
    scan, other_scan = aliased(Scan), aliased(Scan)
    is_theirs = exists().where(
        scan.image_id == HeldImage.id, scan.case_id == own.id, own.patient_id == patient_id
    )
    is_others = exists().where(
        other_scan.image_id == HeldImage.id,
        other_scan.case_id == other.id,
        other.patient_id != patient_id,
    )
    asked = select(HeldImage).where(is_theirs, ~is_others, HeldImage.removed_at.is_(None))
    return list(session.execute(asked).scalars())


def _pictures(session: Session, screws: Select[int]) -> frozenset[str]:
    def named(condition: ColumnElement[bool]) -> set[str]:
        asked = select(Evidence.picture_digest).where(condition, Evidence.removed_at.is_(None))
        return set(session.execute(asked).scalars())

    return frozenset(named(Evidence.screw_id.in_(screws)) - named(Evidence.screw_id.not_in(screws)))


def _words_of_others(session: Session, patient_id: int) -> frozenset[str]:
    found: set[str] = set()
    for column in (Case.indication, Case.bone_quality):
        asked = select(column).where(Case.patient_id != patient_id, column.is_not(None)).distinct()
        found.update(str(word) for word in session.execute(asked).scalars())
    return frozenset(found)


def surveyed_arrivals(session: Session) -> list[tuple[int, str, str, str | None]]:
    """Return number, token, survey and decision of what was looked through and has not ended."""
    living = [each.value for each in set(ArrivalState) - ENDED]
    rows = session.execute(
        select(ArrivalRow.id, ArrivalRow.token, ArrivalRow.survey, ArrivalRow.decision).where(
            ArrivalRow.state.in_(living), ArrivalRow.survey.is_not(None)
        )
    )
    return [(row[0], row[1], row[2] or "", row[3]) for row in rows]
