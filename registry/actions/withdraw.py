"""Withdraw a patient: key destroyed, images deleted, nothing finds them again; counts stay.

What is done first can be done again: the key's end and the images' come before the rows are
written, and until the rows are, the case or number still names the patient. A run that was cut off
is finished by the same command, by `apply_withdrawals`, or by a restore.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.actions.arrival_survey import ArrivalSurvey, Decision
from registry.actions.follow_case import close_owed
from registry.actions.settle import WITHDRAWN
from registry.actions.typed_reason import reason_given
from registry.domain.access import Deed, Reach, require
from registry.domain.arrivals import ENDED, ArrivalState
from registry.domain.problems import BadInputError, Fault, NotFoundError
from registry.store.models.cases import Case, Screw
from registry.store.models.evidence import Evidence
from registry.store.models.findings import Finding
from registry.store.models.outcomes import Outcome
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.proposals import ProposalRow
from registry.store.models.readings import Assignment, Reading
from registry.store.models.replies import Rereading
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries.arrivals import change_arrival
from registry.store.queries.drafts import drop_drafts_of_cases
from registry.store.queries.withdrawing import (
    held_of_patient,
    patient_of_case,
    patient_of_hash,
    patients_not_yet_withdrawn,
    surveyed_arrivals,
    withdrawn_in_rows,
)
from registry.store.vault import reference_hash

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.models.base import Tracked
    from registry.store.queries.withdrawing import HeldOfPatient, PatientToWithdraw
    from registry.store.writing import Writing

BLANKED = "(withdrawn)"

WHAT_STAYS = (
    (
        "sealed quarters keep the screws as they were counted, under a pseudonym that leads "
        "nowhere; what an earlier version sealed holds indication and bone quality in words"
    ),
    (
        "comments on quarters, agreed actions and own notes are tied to no patient: what was "
        "written of one stays there, an own note's words until its author takes them out"
    ),
    (
        "files that left the ledger before, such as own results with pictures, meeting packs and "
        "exports, hold what they held"
    ),
    (
        "backups and copies of the keys folder made before still hold this patient: make new ones "
        "and destroy those"
    ),
)
"""What a withdrawal cannot reach, for whoever withdraws."""

_VERB = "withdraw a patient"
_PUT_BACK = "withdrawn before; the ledger was put back to an earlier state"
_RANDOM_BYTES = 32
# What a person typed freely about somebody, and what leads outside to who they are.
_WORDS: tuple[tuple[str, type[Tracked], tuple[str, ...]], ...] = (
    ("screws", Screw, ("first_track", "implant_identifier")),
    ("readings", Reading, ("note", "source_name", "superseded_reason")),
    ("outcomes", Outcome, ("deficit_words", "action")),
    ("findings", Finding, ("told_whom", "told_how", "not_followed_reason", "closing_words")),
    ("rereadings", Rereading, ("words",)),
    ("repeats", Assignment, ("reason",)),
)


@dataclass(frozen=True)
class WhoWithdraws:
    """The patient, by one of their cases or by the hospital's number."""

    case_ref: str = ""
    patient_ref: str = ""


@dataclass(frozen=True)
class Withdrawal:
    """What it came to.

    Attributes
    ----------
    references : the new, neutral references of the patient's cases
    screws : that stay counted as they were
    images : deleted
    pictures : that their readings were made on, deleted
    closed : readings that are owed no longer
    """

    references: tuple[str, ...]
    screws: int
    images: int
    closed: int
    pictures: int = 0


def withdraw(
    ledger: Ledger, viewer: Viewer, who: WhoWithdraws, because: str, now: datetime
) -> Withdrawal:
    """Withdraw a patient for good.

    Raises
    ------
    BadInputError : neither or both of case and number, or no reason
    NotFoundError : nobody who has not been withdrawn is known by it
    """
    require(viewer, Deed.WITHDRAW, at_least=Reach.ALL)
    because = reason_given(because)
    if bool(who.case_ref) == bool(who.patient_ref):
        raise BadInputError(
            Fault("name the patient by a case or by the hospital's number, one of the two")
        )
    with ledger.writing(viewer, now) as work:
        patient = _find(ledger, work, who)
        ledger.keys.destroy_patient_key(patient.pseudonym, now)
        return _forget(work, ledger, patient, because)


def apply_withdrawals(ledger: Ledger, actor: Viewer, now: datetime) -> int:
    """Bring rows and keys together about who was withdrawn; return how many patients that changed.

    A ledger that was put back from a backup may know less than its keys, and keys that were put
    back less than the ledger.
    """
    with ledger.writing(actor, now) as work:
        gone, known = ledger.keys.withdrawn(), withdrawn_in_rows(work.session)
        late = known & ledger.keys.pseudonyms() | known - gone.keys()
        for pseudonym in sorted(late):
            ledger.keys.destroy_patient_key(pseudonym, now)
        patients = patients_not_yet_withdrawn(work.session, sorted(gone))
        for patient in patients:
            _forget(work, ledger, patient, _PUT_BACK)
    return len(late) + len(patients)


def _find(ledger: Ledger, work: Writing, who: WhoWithdraws) -> PatientToWithdraw:
    if who.case_ref:
        found = patient_of_case(work.session, who.case_ref.strip())
    else:
        hashed = reference_hash(ledger.keys.references, "patient", who.patient_ref)
        found = patient_of_hash(work.session, hashed)
    if found is None:
        raise NotFoundError(
            "nobody is known by this, or they were withdrawn already; nothing was changed"
        )
    return found


def _forget(work: Writing, ledger: Ledger, patient: PatientToWithdraw, because: str) -> Withdrawal:
    held = held_of_patient(work.session, patient.patient_id)
    for image in held.images:
        ledger.images.remove(image.digest)
        work.update(HeldImage, "delete an image", image.id, because=WITHDRAWN, removed_at=work.now)
    for proposal in held.proposals:
        # What was measured on an image goes with it; no reading needs it.
        gone = {"document": "", "replaced_at": proposal.replaced_at or work.now}
        work.update(ProposalRow, "empty a proposal", proposal.id, because=WITHDRAWN, **gone)
    _delete_pictures(work, ledger, held)
    cases = [case.id for case in held.cases]
    _drop_arrivals(work, ledger, frozenset(cases))
    drop_drafts_of_cases(work.session, cases)
    closed = close_owed(work, ledger.settings, cases, WITHDRAWN)
    _forget_identity(work, held)
    references = _forget_words(work, held)
    work.update(
        Patient,
        _VERB,
        patient.patient_id,
        because=because,
        reference_hash=secrets.token_hex(_RANDOM_BYTES),
        withdrawn_at=work.now,
    )
    return Withdrawal(
        references, len(held.screws), len(held.images), closed, pictures=len(held.pictures)
    )


def _delete_pictures(work: Writing, ledger: Ledger, held: HeldOfPatient) -> None:
    for digest in sorted(held.pictures):
        ledger.pictures.remove(digest)
    for kept in held.evidence:
        gone = {"document": "", "removed_at": work.now}
        work.update(Evidence, "delete a picture", kept.id, because=WITHDRAWN, **gone)


def _drop_arrivals(work: Writing, ledger: Ledger, cases: frozenset[int]) -> None:
    """Destroy what came in of the patient, or was decided to be theirs, and was not read yet."""
    dropped = {
        "state": ArrivalState.REFUSED.value,
        "message": "dropped: its patient was withdrawn",
        # A person's own words may stand in it.
        "decision": None,
        "lease_name": None,
        "lease_until": None,
    }
    for arrival_id, token, survey, decision in surveyed_arrivals(work.session):
        theirs = {each for one in ArrivalSurvey.from_json(survey).series for each in one.case_ids}
        if decision is not None:
            theirs.add(Decision.from_json(decision).case_id)
        if cases & theirs:
            going = set(ArrivalState) - ENDED
            change_arrival(work.session, arrival_id, going, last_at=work.now, **dropped)
            ledger.spool.destroy(token)


def _forget_identity(work: Writing, held: HeldOfPatient) -> None:
    """Empty the vault, and leave no keyed hash by which the patient or a series is found again."""
    for entry in held.vault:
        emptied = {"sealed": "", "matching_hash": None}
        work.update(VaultEntry, "empty the vault", entry.id, because=WITHDRAWN, **emptied)
    for scan in held.scans:
        if scan.series_hash is not None:
            fresh = secrets.token_hex(_RANDOM_BYTES)
            work.update(Scan, "forget the series", scan.id, because=WITHDRAWN, series_hash=fresh)


def _forget_words(work: Writing, held: HeldOfPatient) -> tuple[str, ...]:
    """Blank free words; return the cases' new references.

    An indication or bone quality that other cases have as well is a stratum and names nobody.
    """
    references = []
    for case in held.cases:
        references.append(f"withdrawn-{case.id}")
        kept = {
            name: word if (word := getattr(case, name)) in held.other_words else None
            for name in ("indication", "bone_quality")
        }
        neutral = {"reference": references[-1], "source_name": None, "source_row": None, **kept}
        work.update(Case, "make a case neutral", case.id, because=WITHDRAWN, **neutral)
    for name, model, columns in _WORDS:
        _blank(work, model, columns, getattr(held, name))
    return tuple(references)


def _blank(
    work: Writing, model: type[Tracked], columns: tuple[str, ...], rows: Iterable[Any]
) -> None:
    for row in rows:
        changes: dict[str, object] = {
            column: BLANKED for column in columns if getattr(row, column) is not None
        }
        if changes:
            work.update(model, "blank free words", row.id, because=WITHDRAWN, **changes)
