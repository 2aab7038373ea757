"""Readings of drawn screws with the truth beside them: what readers find of what is there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.domain.directions import Direction
from registry.domain.known_truth import Purpose
from registry.store.models.cases import Screw
from registry.store.models.drawn import DrawnCase, DrawnScan, DrawnScrew
from registry.store.models.people import Person
from registry.store.models.readings import Reading
from registry.store.models.scans import HeldImage
from registry.store.queries.drawn_scans import TRUTH, TRUTH_OF_SCREW
from registry.store.queries.readings import READING_EXTENTS
from registry.store.visible import drawn_readings

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from decimal import Decimal

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer

_FACT_NAMES = (
    *("reading_id", "reader_id", "reader", "drawn_scan_id", "level", "side", "number"),
    *("saved_at", "is_assessable", "not_assessable_reason", "method"),
)
_FACTS = len(_FACT_NAMES) + 4


@dataclass(frozen=True)
class KnownTruthReading:
    """A first reading of a drawn screw, and the truth.

    Attributes
    ----------
    reading_id, reader_id, reader : which, and whose
    purpose : practice, or mixed into the worklist
    drawn_scan_id : of the drawing, the same for every reader that was given a copy
    level, side, number : which screw of it
    saved_at : when
    is_assessable, not_assessable_reason : whether it was read
    method : contour, calliper, by eye or typed
    truth_mm : extents as drawn, whole tenths; None where the rule gives none. A reading sets what
        is under the floor to 0: `domain.known_truth.seen_truth` does the same
    read_mm : as stored, None where not measured
    seconds : that the reading took, None where not known
    is_blind : the reader was shown nothing of it before, the program's proposal included
    """

    reading_id: int
    reader_id: int
    reader: str
    purpose: Purpose
    drawn_scan_id: int
    level: str
    side: str
    number: int
    saved_at: datetime
    is_assessable: bool
    not_assessable_reason: str | None
    method: str
    truth_mm: Mapping[Direction, Decimal | None]
    read_mm: Mapping[Direction, Decimal | None]
    seconds: int | None
    is_blind: bool


def known_truth_readings(
    session: Session, viewer: Viewer, purpose: Purpose | None = None
) -> list[KnownTruthReading]:
    """Return the first readings of drawn screws that a viewer may know to be drawn.

    All of them for who sees rates by surgeon, by reader's name and in the order they were made;
    else the viewer's own in practice. One made again after the truth was seen is not among them.
    `purpose` takes those of one purpose alone.
    """
    query = (
        drawn_readings(viewer)
        .join(Screw, Screw.id == Reading.screw_id)
        .join(DrawnScrew, TRUTH_OF_SCREW)
        .join(Person, Person.id == Reading.reader_id)
        .where(Reading.supersedes_id.is_(None), Reading.reader_id == DrawnCase.reader_id)
        .order_by(Person.name, Person.id, Reading.recorded_at, Reading.id)
        .with_only_columns(
            Reading.id,
            Person.id,
            Person.name,
            DrawnScan.id,
            Screw.level,
            Screw.side,
            Screw.number,
            Reading.recorded_at,
            Reading.is_assessable,
            Reading.not_assessable_reason,
            Reading.method,
            DrawnScan.purpose,
            Reading.seconds_spent,
            Reading.is_blind,
            Reading.proposal_seen,
            *TRUTH,
            *READING_EXTENTS,
        )
    )
    if purpose is not None:
        query = query.where(DrawnScan.purpose == purpose)
    return [_reading(tuple(row)) for row in session.execute(query)]


def _reading(row: tuple[Any, ...]) -> KnownTruthReading:
    *facts, purpose, seconds, is_blind, proposal_seen = row[:_FACTS]
    walls = row[_FACTS:]
    return KnownTruthReading(
        **dict(zip(_FACT_NAMES, facts, strict=True)),
        purpose=Purpose(purpose),
        truth_mm=dict(zip(Direction, walls[: len(TRUTH)], strict=True)),
        read_mm=dict(zip(Direction, walls[len(TRUTH) :], strict=True)),
        seconds=seconds,
        is_blind=is_blind and proposal_seen is None,
    )


@dataclass(frozen=True)
class KnownAxis:
    """Where a drawn screw truly lies, for a picture of it; points LPS, millimetres."""

    image_digest: str
    entry_mm: tuple[float, ...]
    tip_mm: tuple[float, ...]
    diameter_mm: Decimal


def known_axis(session: Session, viewer: Viewer, reading_id: int) -> KnownAxis | None:
    """Return it of a reading that the viewer may know to be of a drawn screw, or None."""
    row = session.execute(
        drawn_readings(viewer)
        .join(Screw, Screw.id == Reading.screw_id)
        .join(DrawnScrew, TRUTH_OF_SCREW)
        .join(HeldImage, HeldImage.id == DrawnScan.image_id)
        .where(Reading.id == reading_id)
        .with_only_columns(
            HeldImage.digest, DrawnScrew.entry, DrawnScrew.tip, DrawnScrew.diameter_mm
        )
    ).first()
    if row is None:
        return None
    entry, tip = (tuple(map(float, place.split())) for place in row[1:3])
    return KnownAxis(row[0], entry, tip, row[3])
