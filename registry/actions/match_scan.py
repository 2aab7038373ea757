"""Compare what files say of their patient with the log, by keyed hashes: no vault is opened."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from registry.actions.patients import birth_hash, patient_hash
from registry.actions.typed_reason import reason_given
from registry.domain.matching import Agreement, CaseFacts, in_order_of_fit, objections
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.store.home import Ledger
    from registry.store.queries.scans import CaseForScan


@dataclass(frozen=True)
class NamedInFiles:
    """Whom the files name.

    Attributes
    ----------
    number_hash : of the hospital's number, None where they carry none
    born : day of birth, None where they carry none that is a day
    """

    number_hash: str | None = field(repr=False)
    born: date | None = field(repr=False)


def named_in_files(ledger: Ledger, patient_id: str, birth_date: str) -> NamedInFiles:
    """Return whom these two attributes name, as DICOM writes them."""
    hashed = patient_hash(ledger, patient_id) if patient_id.strip() else None
    try:
        born = date.fromisoformat(birth_date.strip()[:8]) if birth_date.strip() else None
    except ValueError:
        born = None
    return NamedInFiles(hashed, born)


def case_facts(ledger: Ledger, case: CaseForScan, named: NamedInFiles) -> CaseFacts:
    """Return how a case's patient stands to whom the files name."""
    number = born = Agreement.UNKNOWN
    if named.number_hash is not None:
        is_same = named.number_hash == case.reference_hash
        number = Agreement.SAME if is_same else Agreement.OTHER
    if named.born is not None and case.birth_hash is not None:
        is_same = birth_hash(ledger, case.pseudonym, named.born) == case.birth_hash
        born = Agreement.SAME if is_same else Agreement.OTHER
    return CaseFacts(case.case_id, case.operated_on, number, born)


def fitting_case(
    ledger: Ledger, cases: Iterable[CaseForScan], named: NamedInFiles, scanned_on: date
) -> CaseForScan | None:
    """Return the latest of a patient's cases before the scan, or None."""
    known = {case.case_id: case for case in cases}
    facts = [case_facts(ledger, case, named) for case in known.values()]
    first = next(iter(in_order_of_fit(facts, scanned_on)), None)
    if first is None or first.operated_on > scanned_on:
        return None
    return known[first.case_id]


@dataclass(frozen=True)
class Matched:
    """A scan that may be attached to its case.

    Attributes
    ----------
    notes : what a person has answered for, to stand among the scan's warnings
    because : the person's reason, for the event; '' where nothing was to be answered for
    """

    notes: tuple[str, ...]
    because: str


def require_match(
    ledger: Ledger, case: CaseForScan, named: NamedInFiles, scanned_on: date, because: str
) -> Matched:
    """Return the match; BadInputError says what speaks against it and was not confirmed."""
    against = objections(case_facts(ledger, case, named), scanned_on)
    refused = [each for each in against if not each.can_be_confirmed]
    doubts = [each for each in against if each.can_be_confirmed]
    if refused:
        raise BadInputError(
            *(
                Fault(each.value, f"case {case.reference}", "choose the case it followed")
                for each in refused
            )
        )
    if not doubts:
        return Matched((), "")
    if not because.strip():
        mend = "choose their own case, or confirm the patient with a reason (--confirm-patient)"
        raise BadInputError(*(Fault(each.value, f"case {case.reference}", mend) for each in doubts))
    notes = tuple(f"{each.value}; a person has confirmed the patient" for each in doubts)
    return Matched(notes, reason_given(because))
