"""Take a CT in: choose the series, keep its voxels, attach it to its case, ask for readings."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from registry.actions.assign import assign_first_readings
from registry.actions.follow_case import follow_cases
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.checks import scan_warnings
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    FailureError,
    Fault,
    ProblemError,
)
from registry.domain.scans import ScanFacts, ScanKind, ScanReason, why_not_counted
from registry.imaging.intake import read_series, survey
from registry.imaging.left_behind import report
from registry.store.models.patients import VaultEntry
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries.scans import (
    CaseForScan,
    case_for_scan,
    cases_of_patient,
    known_image,
    scan_of_series,
    scan_there,
)
from registry.store.vault import reference_hash, seal

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime
    from pathlib import Path

    from registry.imaging.intake import LeftOut, ReadVolume
    from registry.imaging.left_behind import LeftBehindReport
    from registry.store.home import Ledger
    from registry.store.writing import Writing


@dataclass(frozen=True)
class ScanOrder:
    """What the person said about the scan; None where the files or the ledger decide."""

    case_ref: str | None = None
    kind: ScanKind | None = None
    reason: ScanReason | None = None


@dataclass(frozen=True)
class LoadedScan:
    """What came of it.

    Attributes
    ----------
    case_ref : the case it was attached to
    scanned_on : day of the scan
    kind, reason : as recorded
    shape : slices, rows, columns
    is_new : False where exactly this was attached already and nothing changed
    readings_owed : first readings that were asked for
    not_counted : why the case is not counted on this scan, where its own facts say so, else ''
    left_out : what was not read, and why
    warnings : what a reader should know
    left_behind : what was not kept of the files' attributes, without values
    """

    case_ref: str
    scanned_on: date
    kind: ScanKind
    reason: ScanReason
    shape: tuple[int, int, int]
    is_new: bool
    readings_owed: int
    not_counted: str
    left_out: tuple[LeftOut, ...]
    warnings: tuple[str, ...]
    left_behind: LeftBehindReport


def load_scan(
    ledger: Ledger, viewer: Viewer, paths: Sequence[Path], order: ScanOrder, now: datetime
) -> LoadedScan:
    """Read the one fitting series under `paths` and attach it to its case.

    Raises
    ------
    BadInputError
        nothing fits, or the case cannot be told; every reason is said and nothing is kept
    ConflictError
        the case has another image for that day and kind, or the series is attached elsewhere
    """
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    if order.case_ref is not None:
        # Told before the voxels are read, and looked up again under the lock.
        with ledger.reading() as session:
            _named_case(case_for_scan(session, viewer, order.case_ref), order.case_ref)
    found = survey(paths)
    series = found.series_to_read()
    ledger.images.sweep()
    with ledger.images.writer() as writer:
        volume = read_series(series, writer)
        digest = writer.seal(volume.affine, volume.attributes)
    try:
        with ledger.writing(viewer, now) as work:
            return _attach(
                _Attach(ledger, work, viewer, order, volume, digest), found.left_out_beside(series)
            )
    except ProblemError:
        _drop_unused(ledger, viewer, digest, now)
        raise


def _drop_unused(ledger: Ledger, viewer: Viewer, digest: str, now: datetime) -> None:
    """Delete an image that nothing was attached to; under the lock under which others attach."""
    with ledger.writing(viewer, now) as work:
        known = known_image(work.session, digest)
        if known is None or known.is_removed:
            ledger.images.remove(digest)


@dataclass(frozen=True)
class _Attach:
    ledger: Ledger
    work: Writing
    viewer: Viewer
    order: ScanOrder
    volume: ReadVolume
    digest: str

    def hashed(self, kind: str, value: str) -> str:
        return reference_hash(self.ledger.keys.references, kind, value)


@dataclass(frozen=True)
class _NewScan:
    scanned_on: date
    kind: ScanKind
    reason: ScanReason
    warnings: tuple[str, ...]
    series_hash: str


def _attach(attach: _Attach, left_out: tuple[LeftOut, ...]) -> LoadedScan:
    scanned_on = attach.volume.scanned_on
    if scanned_on is None:
        raise BadInputError(
            Fault(
                "no file says on which day it was made", mend="a scan needs its day; ask radiology"
            )
        )
    case, notes = _case(attach, scanned_on)
    kind = attach.order.kind or ScanKind.POST_OPERATIVE_CT
    reason = attach.order.reason or ScanReason.NOT_STATED
    warnings = (*attach.volume.warnings, *notes)
    warnings += tuple(warned.text for warned in scan_warnings(case.operated_on, scanned_on))
    series_hash = attach.hashed("series", attach.volume.identity.series_uid)
    already = scan_of_series(attach.work.session, series_hash)
    if already is not None and already != (case.case_id, scanned_on, kind.value):
        raise ConflictError(
            Fault(
                "this series is attached already, to another case or as another kind of scan",
                mend="nothing was changed",
            )
        )
    if attach.digest not in attach.ledger.images.digests():
        raise FailureError("the image was refused elsewhere in the meantime; load it again")
    scan = _NewScan(scanned_on, kind, reason, warnings, series_hash)
    scan_id = _write(attach, case, scan) if already is None else None
    owed = 0
    if scan_id is not None:
        owed = assign_first_readings(attach.work, attach.ledger.settings, case.case_id, scan_id)
        follow_cases(attach.work, attach.ledger.settings, [case.case_id])
    return LoadedScan(
        case_ref=case.reference,
        scanned_on=scanned_on,
        kind=kind,
        reason=reason,
        shape=attach.volume.shape,
        is_new=already is None,
        readings_owed=owed,
        not_counted=why_not_counted(
            ScanFacts(scan_id or 0, scanned_on, kind, reason),
            case.operated_on,
            attach.ledger.settings.audit_window_days,
        ),
        left_out=left_out,
        warnings=warnings,
        left_behind=report(attach.volume.attributes["left_behind"]),
    )


def _case(attach: _Attach, scanned_on: date) -> tuple[CaseForScan, tuple[str, ...]]:
    session, identity = attach.work.session, attach.volume.identity
    hashed = attach.hashed("patient", identity.patient_id) if identity.patient_id.strip() else None
    if attach.order.case_ref is not None:
        case = _named_case(
            case_for_scan(session, attach.viewer, attach.order.case_ref), attach.order.case_ref
        )
        if hashed is not None and hashed != case.reference_hash:
            return case, ("the hospital number in the files is not the case's patient's",)
        return case, ()
    known = [] if hashed is None else cases_of_patient(session, attach.viewer, hashed)
    before = [case for case in known if case.operated_on <= scanned_on]
    if not before:
        raise BadInputError(
            Fault(
                "no case before this scan has the hospital number that the files carry",
                mend="name the case with --case",
            )
        )
    return max(before, key=lambda case: case.operated_on), ()


def _named_case(case: CaseForScan | None, reference: str) -> CaseForScan:
    if case is None:
        raise BadInputError(Fault(f"no case {reference!r}", "--case", "load its theatre log first"))
    return case


def _write(attach: _Attach, case: CaseForScan, scan: _NewScan) -> int:
    work, session = attach.work, attach.work.session
    there = scan_there(session, case.case_id, scan.scanned_on, scan.kind.value)
    if there is not None and there.image_id is not None:
        raise ConflictError(
            Fault(
                f"case {case.reference} has another {scan.kind} of {scan.scanned_on} already",
                mend="nothing was changed",
            )
        )
    image_id = _image_id(attach)
    values: dict[str, Any] = {
        "image_id": image_id,
        "warnings": json.dumps(scan.warnings, ensure_ascii=False),
        "matched_by_id": attach.viewer.account_id,
        "series_hash": scan.series_hash,
    }
    work.flush_rows()
    if there is None:
        scan_id = work.insert(
            Scan,
            "attach a scan",
            case_id=case.case_id,
            scanned_on=scan.scanned_on,
            kind=scan.kind.value,
            reason=scan.reason.value,
            is_adequate=True,
            **values,
        )
    else:
        scan_id = there.scan_id
        if attach.order.reason is not None:
            values["reason"] = scan.reason.value
        work.update(Scan, "attach an image to a scan", scan_id, **values)
    key = attach.ledger.keys.patient_keys([case.pseudonym])[case.pseudonym]
    text = json.dumps(asdict(attach.volume.identity), ensure_ascii=False)
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
    known = known_image(attach.work.session, attach.digest)
    if known is None:
        return attach.work.insert(
            HeldImage, "keep an image", digest=attach.digest, added_at=attach.work.now
        )
    if known.is_removed:
        again: dict[str, Any] = {"removed_at": None}
        attach.work.update(HeldImage, "keep an image again", known.image_id, **again)
    return known.image_id
