"""Cases to which a scan can be attached, and scans that are there already."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import and_, exists, select

from registry.domain.problems import NotFoundError
from registry.domain.techniques import Life
from registry.store.apart import WITH_DRAWN
from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.unit import CaseSeen
from registry.store.visible import correctable_cases, scannable_cases

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from datetime import date
    from decimal import Decimal

    from sqlalchemy import Select
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class CaseForScan:
    """What attaching a scan needs to know of a case.

    `birth_hash` is None where no birth date of its patient is kept.
    """

    case_id: int
    reference: str
    operated_on: date
    patient_id: int
    pseudonym: str
    reference_hash: str
    birth_hash: str | None


@dataclass(frozen=True)
class ScanThere:
    """A scan of a case's day and kind; without an image it is held elsewhere."""

    scan_id: int
    image_id: int | None


def _cases(viewer: Viewer) -> Select[int, str, date, int, str, str, str | None]:
    born = and_(VaultEntry.patient_id == Patient.id, VaultEntry.kind == "birth date")
    return (
        scannable_cases(viewer)
        .join(Patient, Patient.id == Case.patient_id)
        .outerjoin(VaultEntry, born)
        .with_only_columns(
            Case.id,
            Case.reference,
            Case.operated_on,
            Patient.id,
            Patient.pseudonym,
            Patient.reference_hash,
            VaultEntry.matching_hash,
        )
    )


def case_for_scan(session: Session, viewer: Viewer, reference: str) -> CaseForScan | None:
    """Return the case with this reference, or None."""
    row = session.execute(_cases(viewer).where(Case.reference == reference)).first()
    return None if row is None else CaseForScan(*row)


def numbered_case_for_scan(session: Session, viewer: Viewer, case_id: int) -> CaseForScan | None:
    """Return the case of this number, or None."""
    row = session.execute(_cases(viewer).where(Case.id == case_id)).first()
    return None if row is None else CaseForScan(*row)


def cases_of_patient(session: Session, viewer: Viewer, hashed: str | None) -> list[CaseForScan]:
    """Return the cases of the patient whose hospital number has this hash; none without one."""
    if hashed is None:
        return []
    rows = session.execute(_cases(viewer).where(Patient.reference_hash == hashed))
    return [CaseForScan(*row) for row in rows]


def cases_not_seen(session: Session, viewer: Viewer, case_ids: Collection[int]) -> list[int]:
    """Return which of these cases an account may attach scans to and has not been shown yet."""
    seen = exists().where(CaseSeen.case_id == Case.id, CaseSeen.account_id == viewer.account_id)
    asked = scannable_cases(viewer).where(Case.id.in_(case_ids), ~seen).order_by(Case.id)
    return list(session.execute(asked.with_only_columns(Case.id)).scalars())


@dataclass(frozen=True)
class SeriesAttached:
    """The scan that a series is; `place` is its case, day and kind."""

    scan_id: int
    place: tuple[int, date, str]


def scan_of_series(session: Session, series_hash: str) -> SeriesAttached | None:
    """Return the scan that a series is already, or None."""
    row = session.execute(
        select(Scan.id, Scan.case_id, Scan.scanned_on, Scan.kind).where(
            Scan.series_hash == series_hash
        )
    ).first()
    return None if row is None else SeriesAttached(row[0], (row[1], row[2], row[3]))


@dataclass(frozen=True)
class ScrewInImage:
    """A screw that a scan of its case would show."""

    side: str
    diameter_mm: Decimal | None
    length_mm: Decimal | None


def screws_in_image(session: Session, case_id: int) -> list[ScrewInImage]:
    """Return the screws that a case's scans would show: every one that was not removed."""
    rows = session.execute(
        select(Screw.side, Screw.diameter_mm, Screw.length_mm).where(
            Screw.case_id == case_id, Screw.life != Life.REMOVED.value
        )
    )
    return [ScrewInImage(*row) for row in rows]


@dataclass(frozen=True)
class ScanOfCase:
    """A scan as a form holds it, by the names of its fields; the digest of an image held here."""

    scan_id: int
    version: int
    texts: Mapping[str, str]
    image_digest: str | None


@dataclass(frozen=True)
class CaseWithScans:
    """A case that may be corrected, and its scans."""

    case_id: int
    reference: str
    operated_on: date
    scans: Sequence[ScanOfCase]

    def scan(self, scan_id: int) -> ScanOfCase:
        """Return one of its scans; NotFoundError where it is none."""
        found = next((scan for scan in self.scans if scan.scan_id == scan_id), None)
        if found is None:
            raise NotFoundError("there is no such scan among those you may correct")
        return found


def correctable_case(session: Session, viewer: Viewer, case_id: int) -> CaseWithScans:
    """Return a case with its scans; NotFoundError where it is not the viewer's to correct."""
    case = session.execute(correctable_cases(viewer).where(Case.id == case_id)).scalar_one_or_none()
    if case is None:
        raise NotFoundError("there is no such case among those you may correct")
    rows = session.execute(
        select(Scan, HeldImage.digest)
        .outerjoin(HeldImage, and_(HeldImage.id == Scan.image_id, HeldImage.removed_at.is_(None)))
        .where(Scan.case_id == case_id)
        .order_by(Scan.scanned_on, Scan.id)
    )
    scans = [
        ScanOfCase(
            row.id,
            row.version,
            {
                "scanned_on": row.scanned_on.isoformat(),
                "kind": row.kind,
                "reason": row.reason,
                "is_adequate": "yes" if row.is_adequate else "no",
            },
            digest,
        )
        for row, digest in rows
    ]
    return CaseWithScans(case.id, case.reference, case.operated_on, scans)


def scan_there(session: Session, case_id: int, day: date, kind: str) -> ScanThere | None:
    """Return the scan of a case's day and kind, or None."""
    row = session.execute(
        select(Scan.id, Scan.image_id).where(
            Scan.case_id == case_id, Scan.scanned_on == day, Scan.kind == kind
        )
    ).first()
    return None if row is None else ScanThere(row[0], row[1])


@dataclass(frozen=True)
class KnownImage:
    """The row of an image; gone since `is_removed`."""

    image_id: int
    is_removed: bool


def known_image(session: Session, digest: str) -> KnownImage | None:
    """Return the row of an image, or None."""
    row = session.execute(
        select(HeldImage.id, HeldImage.removed_at)
        .where(HeldImage.digest == digest)
        .execution_options(**WITH_DRAWN)
    ).first()
    return None if row is None else KnownImage(row[0], row[1] is not None)
