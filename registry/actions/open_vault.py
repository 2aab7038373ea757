"""Open a patient's entry in the vault: each opening is an event, with why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, require
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.store.models.patients import Patient
from registry.store.queries.vaulted import sealed_patient
from registry.store.rows import record_name
from registry.store.vault import unseal

if TYPE_CHECKING:
    from datetime import date, datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger

OPENED = "open the vault"


@dataclass(frozen=True)
class HospitalPatient:
    """The patient of a case, as the hospital knows them.

    Attributes
    ----------
    number : the hospital's number
    operated_on : day of the case's operation
    """

    number: str = field(repr=False)
    operated_on: date


def patient_to_match(
    ledger: Ledger, viewer: Viewer, case_ref: str, because: str, now: datetime
) -> HospitalPatient:
    """Return the hospital's number of a case's patient, to match a scan; an event says so.

    Raises
    ------
    BadInputError : no such case among those to which the viewer may match a scan
    ConflictError : the patient was withdrawn
    """
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    with ledger.writing(viewer, now) as work:
        found = sealed_patient(work.session, viewer, case_ref)
        if found is None:
            raise BadInputError(
                Fault(f"no case {case_ref!r}", "--case", "load its theatre log first")
            )
        key = ledger.keys.patient_key(found.pseudonym)
        if key is None:
            raise ConflictError(Fault("the patient was withdrawn", mend="nothing was opened"))
        work.note(OPENED, record_name(Patient, found.patient_id), because)
        number = unseal(key, found.sealed, found.pseudonym)
    return HospitalPatient(number, found.operated_on)
