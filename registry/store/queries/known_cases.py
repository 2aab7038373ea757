"""What the ledger knows already of the cases, screws and patients that a table names.

For comparing a table with the ledger: nothing of it is shown but that a value differs.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.models.patients import Patient, VaultEntry

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sqlalchemy.orm import Session

_CASE_COLUMNS = (
    "operated_on",
    "surgeon_id",
    "second_surgeon_id",
    "indication",
    "is_revision",
    "cobb_deg",
    "body_mass_index",
    "bone_quality",
    "approach",
    "no_scan_reason",
)
_SCREW_COLUMNS = (
    "id",
    "entry_technique",
    "technique_words",
    "guidance",
    "operator_id",
    "supervision",
    "diameter_mm",
    "length_mm",
    "alloy",
    "intention",
    "implant_identifier",
    "life",
)


@dataclass(frozen=True)
class KnownCase:
    """A case as it stands; `screws` by level, side and number."""

    case_id: int
    reference_hash: str
    values: Mapping[str, Any]
    assistants: frozenset[int]
    screws: Mapping[tuple[str, str, int], Mapping[str, Any]]

    @property
    def participants(self) -> frozenset[int]:
        """Who operated or assisted."""
        surgeons = {self.values["surgeon_id"], self.values["second_surgeon_id"]}
        operators = {screw["operator_id"] for screw in self.screws.values()}
        return frozenset((surgeons | operators | self.assistants) - {None})


@dataclass(frozen=True)
class KnownPatient:
    """A patient by pseudonym; `birth_hash` is None where no birth date is kept."""

    patient_id: int
    pseudonym: str
    birth_hash: str | None


def known_cases(session: Session) -> dict[str, KnownCase]:
    """Return every case by its reference."""
    assistants: dict[int, set[int]] = defaultdict(set)
    for row in session.execute(select(CaseAssistant.case_id, CaseAssistant.person_id)):
        assistants[row[0]].add(row[1])
    screws: dict[int, dict[tuple[str, str, int], Mapping[str, Any]]] = defaultdict(dict)
    columns = [getattr(Screw, name) for name in _SCREW_COLUMNS]
    for found in session.execute(
        select(Screw.case_id, Screw.level, Screw.side, Screw.number, *columns)
    ):
        screws[found[0]][found[1], found[2], found[3]] = dict(
            zip(_SCREW_COLUMNS, found[4:], strict=True)
        )
    wanted = [getattr(Case, name) for name in _CASE_COLUMNS]
    cases = session.execute(
        select(Case.id, Case.reference, Patient.reference_hash, *wanted).join(
            Patient, Patient.id == Case.patient_id
        )
    )
    return {
        row[1]: KnownCase(
            row[0],
            row[2],
            dict(zip(_CASE_COLUMNS, row[3:], strict=True)),
            frozenset(assistants[row[0]]),
            screws[row[0]],
        )
        for row in cases
    }


def known_patients(session: Session, reference_hash: str | None = None) -> dict[str, KnownPatient]:
    """Return every patient, or the one asked for, by the hash of their reference."""
    vault = select(VaultEntry.patient_id, VaultEntry.matching_hash).where(
        VaultEntry.kind == "birth date"
    )
    patients = select(Patient.id, Patient.pseudonym, Patient.reference_hash)
    if reference_hash is not None:
        patients = patients.where(Patient.reference_hash == reference_hash)
        vault = vault.join(Patient, Patient.id == VaultEntry.patient_id).where(
            Patient.reference_hash == reference_hash
        )
    births = {row[0]: row[1] for row in session.execute(vault)}
    return {
        row[2]: KnownPatient(row[0], row[1], births.get(row[0]))
        for row in session.execute(patients)
    }
