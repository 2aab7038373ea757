"""What lies in the vault, still sealed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.store.models.cases import Case
from registry.store.models.patients import Patient, VaultEntry
from registry.store.visible import scannable_cases

if TYPE_CHECKING:
    from datetime import date

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer

REFERENCE = "patient reference"


@dataclass(frozen=True)
class SealedPatient:
    """A case's patient, the hospital's number as the vault keeps it."""

    case_id: int
    operated_on: date
    patient_id: int
    pseudonym: str
    sealed: str = field(repr=False)


def sealed_patient(session: Session, viewer: Viewer, reference: str) -> SealedPatient | None:
    """Return the patient of the case to which the viewer may match a scan, or None."""
    row = session.execute(
        scannable_cases(viewer)
        .join(Patient, Patient.id == Case.patient_id)
        .join(VaultEntry, VaultEntry.patient_id == Patient.id)
        .where(Case.reference == reference, VaultEntry.kind == REFERENCE)
        .with_only_columns(
            Case.id, Case.operated_on, Patient.id, Patient.pseudonym, VaultEntry.sealed
        )
    ).first()
    return None if row is None else SealedPatient(*row)
