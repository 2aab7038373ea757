"""Attach an image that was read to its case: rows, vault and owed readings in one transaction."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from registry.actions.assign import assign_first_readings
from registry.actions.follow_case import follow_cases
from registry.actions.look_to_match import note_shown
from registry.actions.match_scan import named_in_files, require_match
from registry.domain.matching import kind_note
from registry.domain.problems import BadInputError, ConflictError, FailureError, Fault
from registry.domain.scans import ScanKind, ScanReason
from registry.store.models.patients import VaultEntry
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries.scans import known_image, scan_of_series, scan_there
from registry.store.vault import reference_hash, seal

if TYPE_CHECKING:
    from datetime import date, datetime

    from registry.domain.access import Viewer
    from registry.imaging.intake import ReadVolume
    from registry.store.home import Ledger
    from registry.store.queries.scans import CaseForScan
    from registry.store.writing import Writing


@dataclass(frozen=True)
class ScanChoice:
    """What a scan is to become.

    Attributes
    ----------
    kind, reason : None where nobody said; post-operative CT, and not stated
    patient_because : why it is this patient's although the files say otherwise
    notes : warnings besides those of the images themselves
    """

    case: CaseForScan
    kind: ScanKind | None
    reason: ScanReason | None
    patient_because: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class SealedVolume:
    """A series that was read and sealed in the image store."""

    volume: ReadVolume
    digest: str


@dataclass(frozen=True)
class AttachedScan:
    """What came of it.

    Attributes
    ----------
    scan_id : the scan, whether it is new or was there
    is_new : False where exactly this was attached already and nothing changed
    readings_owed : first readings that were asked for
    warnings : what a reader should know
    """

    scan_id: int
    scanned_on: date
    kind: ScanKind
    reason: ScanReason
    is_new: bool
    readings_owed: int
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Attach:
    ledger: Ledger
    work: Writing
    viewer: Viewer
    sealed: SealedVolume
    choice: ScanChoice


@dataclass(frozen=True)
class _NewScan:
    scanned_on: date
    kind: ScanKind
    reason: ScanReason
    warnings: tuple[str, ...]
    series_hash: str
    because: str


def series_hash(ledger: Ledger, series_uid: str) -> str:
    """Return the keyed hash under which a series is found again."""
    return reference_hash(ledger.keys.references, "series", series_uid)


def attach_scan(
    ledger: Ledger, work: Writing, viewer: Viewer, sealed: SealedVolume, choice: ScanChoice
) -> AttachedScan:
    """Attach it inside the caller's transaction.

    Raises
    ------
    BadInputError : no day is known, or something speaks against the case
    ConflictError : the case has another image for that day and kind, or the series is attached
        elsewhere
    """
    volume, case = sealed.volume, choice.case
    scanned_on = volume.scanned_on
    if scanned_on is None:
        raise BadInputError(
            Fault(
                "no file says on which day it was made", mend="a scan needs its day; ask radiology"
            )
        )
    named = named_in_files(ledger, volume.identity.patient_id, volume.identity.birth_date)
    matched = require_match(ledger, case, named, scanned_on, choice.patient_because)
    kind = choice.kind or ScanKind.POST_OPERATIVE_CT
    odd = kind_note(kind, scanned_on, case.operated_on)
    scan = _NewScan(
        scanned_on,
        kind,
        choice.reason or ScanReason.NOT_STATED,
        (*volume.warnings, *matched.notes, *choice.notes, *([odd] if odd else [])),
        series_hash(ledger, volume.identity.series_uid),
        matched.because,
    )
    attach = _Attach(ledger, work, viewer, sealed, choice)
    already = scan_of_series(work.session, scan.series_hash)
    if already is not None:
        _require_same(attach, scan, already.place)
    if sealed.digest not in ledger.images.digests():
        raise FailureError("the image was refused elsewhere in the meantime; load it again")
    scan_id = already.scan_id if already is not None else _write(attach, scan)
    owed = 0
    if already is None:
        owed = assign_first_readings(work, ledger.settings, case.case_id, scan_id)
        follow_cases(work, ledger.settings, [case.case_id])
    return AttachedScan(
        scan_id, scanned_on, scan.kind, scan.reason, already is None, owed, scan.warnings
    )


def drop_unused(ledger: Ledger, viewer: Viewer | str, digest: str, now: datetime) -> None:
    """Delete an image that nothing was attached to; under the lock under which others attach."""
    with ledger.writing(viewer, now) as work:
        known = known_image(work.session, digest)
        if known is None or known.is_removed:
            ledger.images.remove(digest)


def _require_same(attach: _Attach, scan: _NewScan, place: tuple[int, date, str]) -> None:
    if place != (attach.choice.case.case_id, scan.scanned_on, scan.kind.value):
        raise ConflictError(
            Fault(
                "this series is attached already, to another case or as another kind of scan",
                mend="nothing was changed",
            )
        )


def _write(attach: _Attach, scan: _NewScan) -> int:
    work, case = attach.work, attach.choice.case
    there = scan_there(work.session, case.case_id, scan.scanned_on, scan.kind.value)
    if there is not None and there.image_id is not None:
        raise ConflictError(
            Fault(
                f"there is another {scan.kind} of {scan.scanned_on} already",
                f"case {case.reference}",
                "nothing was changed",
            )
        )
    image_id = _image_id(attach)
    values: dict[str, Any] = {
        "image_id": image_id,
        "warnings": json.dumps(scan.warnings, ensure_ascii=False),
        "series_hash": scan.series_hash,
    }
    work.flush_rows()
    if there is None:
        scan_id = work.insert(
            Scan,
            "attach a scan",
            because=scan.because,
            case_id=case.case_id,
            matched_by_id=attach.viewer.account_id,
            scanned_on=scan.scanned_on,
            kind=scan.kind.value,
            reason=scan.reason.value,
            is_adequate=True,
            **values,
        )
    else:
        scan_id = there.scan_id
        if attach.choice.reason is not None:
            values["reason"] = scan.reason.value
        work.update(Scan, "attach an image to a scan", scan_id, because=scan.because, **values)
        # Who entered the scan goes on being known as the one who did: neither of the two is blind.
        note_shown(work, attach.viewer, [case.case_id])
    key = attach.ledger.keys.patient_keys([case.pseudonym])[case.pseudonym]
    text = json.dumps(asdict(attach.sealed.volume.identity), ensure_ascii=False)
    work.insert(
        VaultEntry,
        "put into the vault",
        patient_id=case.patient_id,
        scan_id=scan_id,
        kind="scan identifiers",
        sealed=seal(key, text, f"{case.pseudonym} {scan.series_hash}"),
    )
    work.flush_rows()
    return scan_id


def _image_id(attach: _Attach) -> int:
    """Return the image's row, made where there is none; one that was deleted is kept again."""
    digest = attach.sealed.digest
    known = known_image(attach.work.session, digest)
    if known is None:
        return attach.work.insert(
            HeldImage, "keep an image", digest=digest, added_at=attach.work.now
        )
    if known.is_removed:
        again: dict[str, Any] = {"removed_at": None}
        attach.work.update(HeldImage, "keep an image again", known.image_id, **again)
    return known.image_id
