"""Under which identity a case's images and reports leave: the hospital's own, or a pseudonym.

The hospital's is opened from the vault, an event each time and before it is opened. A pseudonym's
is worked out from the ledger's own numbers and keys: the vault stays closed.
"""

from __future__ import annotations

import json
from datetime import date, timedelta
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.imaging.ct_slices import CT_CLASS
from registry.imaging.identity import ScanIdentity, identity_from
from registry.store.queries.reported import reported_case
from registry.store.vault import days_back, derived_uid, unseal

if TYPE_CHECKING:
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.images import Image
    from registry.store.queries.reported import ReportedCase, ReportedScan

FIRST_DAY = date(1900, 1, 1)
"""Before it validators take a day for a slip."""


def case_to_export(ledger: Ledger, viewer: Viewer, reference: str) -> tuple[ReportedCase, Image]:
    """Return a case and its audit scan's image.

    Raises
    ------
    NotFoundError : no such case among the viewer's
    BadInputError : the patient was withdrawn, or no image of an audit scan is held here
    """
    with ledger.reading() as session:
        case = reported_case(session, viewer, ledger.settings.audit_window_days, reference)
    if case.is_withdrawn:
        raise BadInputError(
            Fault("the patient was withdrawn: nothing of them leaves the ledger", reference)
        )
    return case, ledger.images.open(scan_of(case)[1])


def scan_of(case: ReportedCase) -> tuple[ReportedScan, str]:
    """Return the case's audit scan and its image's digest; BadInputError where none is held."""
    if case.scan is None:
        raise BadInputError(
            Fault("the case is counted on no scan", case.reference, "load its CT first")
        )
    if case.scan.digest is None:
        raise BadInputError(
            Fault(
                "the scan that the case is counted on is held elsewhere",
                case.reference,
                "load its CT first",
            )
        )
    return case.scan, case.scan.digest


def opened_identity(
    ledger: Ledger, viewer: Viewer, case: ReportedCase, why: str, now: datetime
) -> ScanIdentity:
    """Open the vault and return the hospital's own identifiers of the case's audit scan.

    Raises
    ------
    BadInputError : the vault holds none of this scan
    ConflictError : the patient's key is gone
    FailureError : the entry does not open with this ledger's keys
    """
    scan, _ = scan_of(case)
    if case.identifiers is None:
        raise BadInputError(
            Fault(
                "the vault holds no identifiers of this scan",
                case.reference,
                "export under the pseudonym with --pseudonymous",
            )
        )
    key = ledger.keys.patient_key(case.pseudonym)
    if key is None:
        raise ConflictError(
            Fault("the patient's key is gone: the vault does not open", case.reference)
        )
    # The event is safe before anything is known: nobody opens the vault unseen.
    with ledger.writing(viewer, now) as work:
        work.note("open the vault", f"vault_entry:{case.identifiers.entry_id}", why)
    opened = unseal(key, case.identifiers.sealed, f"{case.pseudonym} {scan.series_hash}")
    return identity_from(json.loads(opened))


def pseudonymous_identity(ledger: Ledger, case: ReportedCase, slices: int) -> ScanIdentity:
    """Return the identity under which a case's images leave, the same every time."""
    scan, _ = scan_of(case)
    key = ledger.keys.references
    day = moved_day(ledger, case, scan.scanned_on)
    return ScanIdentity(
        patient_id=case.pseudonym,
        patient_name="",
        birth_date="",
        sex="",
        accession="",
        study_uid=derived_uid(key, "study", f"{case.pseudonym} {scan.scanned_on}"),
        study_id="",
        study_date=f"{day:%Y%m%d}",
        study_time="",
        referring_physician="",
        series_uid=derived_uid(key, "series", str(scan.scan_id)),
        frame_of_reference_uid=derived_uid(key, "frame of reference", str(scan.scan_id)),
        sop_class_uid=CT_CLASS,
        sop_uids=tuple(
            derived_uid(key, "image", f"{scan.scan_id} {number}") for number in range(slices)
        ),
    )


def moved_day(ledger: Ledger, case: ReportedCase, day: date) -> date:
    """Return a day of the patient moved back by the patient's own offset, never before 1900."""
    moved = day - timedelta(days=days_back(ledger.keys.references, case.pseudonym))
    if moved < FIRST_DAY:
        raise BadInputError(
            Fault(f"{day} is too early to be moved", case.reference, "correct the day of the scan")
        )
    return moved
