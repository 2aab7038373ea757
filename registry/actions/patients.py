"""Find patients by the hospital's number, and make those that are new with their vault."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.store.keys import KEY_BYTES
from registry.store.models.patients import Patient, VaultEntry
from registry.store.vault import reference_hash, seal

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date

    from registry.store.home import Ledger
    from registry.store.queries.known_cases import KnownPatient
    from registry.store.writing import Writing


@dataclass(frozen=True)
class NamedPatient:
    """A patient as a table or form names them."""

    reference: str = field(repr=False)
    birth_date: date | None = field(default=None, repr=False)


def patient_hash(ledger: Ledger, reference: str) -> str:
    """Return the keyed hash under which a patient is found again."""
    return reference_hash(ledger.keys.references, "patient", reference)


def is_born_otherwise(ledger: Ledger, named: NamedPatient, known: KnownPatient | None) -> bool:
    """Return whether the ledger keeps another day of birth than the one that is named."""
    if known is None or known.birth_hash is None or named.birth_date is None:
        return False
    return birth_hash(ledger, known.pseudonym, named.birth_date) != known.birth_hash


def birth_hash(ledger: Ledger, pseudonym: str, born: date) -> str:
    """Return the keyed hash by which a day of birth is compared.

    It is bound to the patient, so that nobody is found by a birth date and two patients born on one
    day are not seen to be; comparing needs no opening of the vault.
    """
    key = ledger.keys.references
    return reference_hash(key, f"birth date of {pseudonym}", born.isoformat())


def enter_patients(
    ledger: Ledger,
    work: Writing,
    patients: Iterable[NamedPatient],
    known: Mapping[str, KnownPatient],
    *,
    only_check: bool = False,
) -> tuple[dict[str, int], int]:
    """Return the patient of each reference's hash, and how many are new; those get their vault."""
    wanted: dict[str, NamedPatient] = {}
    for patient in patients:
        hashed = patient_hash(ledger, patient.reference)
        found = wanted.setdefault(hashed, patient)
        if found.birth_date is None and patient.birth_date is not None:
            wanted[hashed] = patient
    fresh = {hashed: f"P{secrets.token_hex(6)}" for hashed in wanted if hashed not in known}
    born = {
        hashed: patient.birth_date
        for hashed, patient in wanted.items()
        if patient.birth_date is not None
        and (hashed not in known or known[hashed].birth_hash is None)
    }
    names = {hashed: found.pseudonym for hashed, found in known.items()} | fresh
    wanting = {names[hashed] for hashed in [*fresh, *born]}
    # A dry run leaves no keys behind either.
    keys = (
        dict.fromkeys(wanting, secrets.token_bytes(KEY_BYTES))
        if only_check
        else ledger.keys.patient_keys(wanting)
    )
    ids = {hashed: found.patient_id for hashed, found in known.items()}
    for hashed, pseudonym in fresh.items():
        ids[hashed] = work.insert(
            Patient, "add a patient", pseudonym=pseudonym, reference_hash=hashed
        )
        work.insert(
            VaultEntry,
            "put into the vault",
            patient_id=ids[hashed],
            kind="patient reference",
            sealed=seal(keys[pseudonym], wanted[hashed].reference, pseudonym),
        )
    for hashed, day in born.items():
        pseudonym = names[hashed]
        work.insert(
            VaultEntry,
            "put into the vault",
            patient_id=ids[hashed],
            kind="birth date",
            sealed=seal(keys[pseudonym], day.isoformat(), pseudonym),
            matching_hash=birth_hash(ledger, pseudonym, day),
        )
    return ids, len(fresh)
