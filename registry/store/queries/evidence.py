"""What a reading was made on, for those who may look at the reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import and_, exists, or_, select
from sqlalchemy.orm import aliased

from registry.domain.directions import Direction
from registry.domain.problems import NotFoundError
from registry.domain.readings import Method, ReadingRole
from registry.store.apart import WITH_DRAWN
from registry.store.models.cases import Screw
from registry.store.models.evidence import Evidence
from registry.store.models.readings import Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.visible import own_readings, reopenable_readings, shown_screw

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from datetime import datetime
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer


@dataclass(frozen=True)
class ReadingEvidence:
    """A reading with what it was made on; nothing of it names a reader, a surgeon or a patient.

    Attributes
    ----------
    reading_id, case_id : numbers
    is_own : the viewer made it
    is_adjudication : it decided
    level, side, number, diameter_mm : of the screw as it stands now
    method, not_assessable_reason : how it was read, or why it could not be
    extents_mm, sd_mm, convergence_deg, sagittal_deg : as stored
    note : the reader's own words
    saved_at : instant
    marks : JSON that was kept with it, or None
    held_digest : of its scan's image where that is held here, else None
    kept_digest : of the picture that was kept with it, None without one, or once it was deleted
    document : that was kept with it, or None, as above
    is_deleted : its picture was deleted with the patient's images
    """

    reading_id: int
    case_id: int
    is_own: bool
    is_adjudication: bool
    level: str
    side: str
    number: int
    diameter_mm: Decimal | None
    method: str
    not_assessable_reason: str | None
    extents_mm: Mapping[Direction, Decimal | None]
    sd_mm: Mapping[Direction, Decimal | None]
    convergence_deg: Decimal | None
    sagittal_deg: Decimal | None
    note: str | None
    saved_at: datetime
    marks: str | None
    held_digest: str | None
    kept_digest: str | None
    document: str | None
    is_deleted: bool


def reading_evidence(session: Session, viewer: Viewer, reading_id: int) -> ReadingEvidence:
    """Return a reading with what it was made on; NotFoundError where it is not theirs to see."""
    found = session.execute(
        reopenable_readings(viewer)
        .with_only_columns(Reading, Screw, Evidence, HeldImage.digest, HeldImage.removed_at)
        .join(Screw, Screw.id == Reading.screw_id)
        .join(Scan, Scan.id == Reading.scan_id)
        .outerjoin(Evidence, Evidence.reading_id == Reading.id)
        .outerjoin(HeldImage, HeldImage.id == Scan.image_id)
        .where(Reading.id == reading_id)
    ).first()
    if found is None:
        raise NotFoundError("there is no such reading among those you may see")
    reading, screw, evidence, digest, removed_at = found
    is_deleted = evidence is not None and evidence.removed_at is not None
    return ReadingEvidence(
        reading_id=reading.id,
        case_id=screw.case_id,
        is_own=viewer.person_id is not None and reading.reader_id == viewer.person_id,
        is_adjudication=reading.role == ReadingRole.ADJUDICATION,
        level=screw.level,
        side=screw.side,
        number=screw.number,
        diameter_mm=screw.diameter_mm,
        method=reading.method,
        not_assessable_reason=reading.not_assessable_reason,
        extents_mm={wall: getattr(reading, f"{wall}_mm") for wall in Direction},
        sd_mm={wall: getattr(reading, f"{wall}_sd_mm") for wall in Direction},
        convergence_deg=reading.convergence_deg,
        sagittal_deg=reading.sagittal_deg,
        note=reading.note,
        saved_at=reading.recorded_at,
        marks=reading.marks,
        held_digest=digest if removed_at is None else None,
        kept_digest=None if evidence is None or is_deleted else evidence.picture_digest,
        document=None if evidence is None or is_deleted else evidence.document,
        is_deleted=is_deleted,
    )


@dataclass(frozen=True)
class Decided:
    """What an adjudication decided between.

    Attributes
    ----------
    case_id : of its screw
    others : the first and second reading that stand, in the order of their numbers
    is_shown : the viewer has looked at the case, or at these
    """

    case_id: int
    others: Sequence[int]
    is_shown: bool


def decided_between(session: Session, viewer: Viewer, reading_id: int) -> Decided:
    """Return the readings between which an adjudication of the viewer's own decided.

    NotFoundError where it is none of theirs.
    """
    made = session.execute(
        own_readings(viewer)
        .join(Screw, Screw.id == Reading.screw_id)
        .where(Reading.id == reading_id, Reading.role == ReadingRole.ADJUDICATION)
        .with_only_columns(Screw.case_id, Reading.screw_id, Reading.scan_id, shown_screw(viewer))
    ).first()
    if made is None:
        raise NotFoundError("there is no such adjudication among those you have made")
    later = aliased(Reading)
    others = session.execute(
        select(Reading.id)
        .where(
            Reading.screw_id == made[1],
            Reading.scan_id == made[2],
            Reading.role != ReadingRole.ADJUDICATION,
            ~exists().where(later.supersedes_id == Reading.id),
        )
        .order_by(Reading.id)
    ).scalars()
    return Decided(made[0], list(others), bool(made[3]))


def readings_with_pictures(
    session: Session, viewer: Viewer, reading_ids: Collection[int]
) -> frozenset[int]:
    """Return which of these readings the viewer may look at and have, or can be given, a picture.

    One can be given where marks were set on an image that is held here.
    """
    kept = and_(Evidence.id.is_not(None), Evidence.removed_at.is_(None))
    is_on_image = and_(
        Evidence.id.is_(None),
        HeldImage.removed_at.is_(None),
        HeldImage.id.is_not(None),
        Reading.method != Method.TYPED,
        Reading.marks.like('%"entry_mm"%'),
    )
    found = session.execute(
        reopenable_readings(viewer)
        .with_only_columns(Reading.id)
        .join(Scan, Scan.id == Reading.scan_id)
        .outerjoin(Evidence, Evidence.reading_id == Reading.id)
        .outerjoin(HeldImage, HeldImage.id == Scan.image_id)
        .where(Reading.id.in_(reading_ids), or_(kept, is_on_image))
    )
    return frozenset(found.scalars())


def is_picture_kept(session: Session, digest: str) -> bool:
    """Return whether a reading names a picture that has not been deleted."""
    asked = select(Evidence.id).where(
        Evidence.picture_digest == digest, Evidence.removed_at.is_(None)
    )
    return session.execute(asked.limit(1).execution_options(**WITH_DRAWN)).first() is not None
