"""Show what a reading was made on, to those who may look at the reading."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from registry.actions.desk_angles import NOT_MEASURED, Angles, angles_of
from registry.actions.desk_marks import Bone, read_marks
from registry.actions.desk_measure import measure_marks
from registry.actions.desk_pictures import across_of
from registry.actions.desk_screw import OpenedScrew
from registry.actions.evidence_document import (
    EvidenceDocument,
    Seen,
    document_of,
    read_document,
)
from registry.actions.evidence_drawing import (
    along_axis_picture,
    evidence_picture,
    section_picture,
    upright_picture,
)
from registry.actions.keep_evidence import read_words
from registry.actions.look_at_case import look_at_others_readings
from registry.domain.access import Deed, Reach, require
from registry.domain.directions import Side
from registry.domain.extent_words import found_words
from registry.domain.levels import level
from registry.domain.problems import BadInputError, NotFoundError
from registry.domain.readings import Method
from registry.store.queries.evidence import (
    ReadingEvidence,
    decided_between,
    reading_evidence,
    readings_with_pictures,
)

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

    from registry.actions.desk_marks import Marks
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.images import Image

_METHODS = {Method.CONTOUR, Method.CALLIPER}
_NO_MARKS = "no picture: the screw was not set on an image here"
_NOT_HELD = "no picture: the images that it was read on are not held here"
_DELETED = "its pictures were deleted when the patient was withdrawn"


@dataclass(frozen=True)
class Reopened:
    """A reading as it was saved, to be looked at and not changed.

    Attributes
    ----------
    reading : what was kept of it
    found : what was found, in words
    way : how it was read, in words
    is_kept : its picture was kept with it; else it is drawn later from the kept marks
    document : what its pictures are drawn from, None where there are none
    sections_mm : depths of the marked sections and of the one that decided
    placed_mm : entry, tip and, where they stand, two points of the midplane and of the endplate
    is_axis_proposed : entry and tip are the program's, taken by the reader as they were
    angles : as stored, with why one is missing; None where it is not assessable
    planes_found : which of midplane and endplate are the program's, left as they were
    why_without : why it has no picture, '' where it has one
    why_alone : why its sections cannot be drawn again beside it, '' where they can
    """

    reading: ReadingEvidence
    found: str
    way: str
    is_kept: bool
    document: EvidenceDocument | None
    sections_mm: tuple[float, ...]
    placed_mm: tuple[tuple[str, tuple[float, ...]], ...]
    is_axis_proposed: bool
    angles: Angles | None
    planes_found: tuple[str, ...]
    why_without: str
    why_alone: str


class Drawable(NamedTuple):
    """What a reading's pictures are drawn from."""

    image: Image
    marks: Marks
    document: EvidenceDocument


def picture(ledger: Ledger, viewer: Viewer, reading_id: int) -> bytes:
    """Return the picture that was kept with a reading, as PNG, else one drawn now and marked so.

    Raises
    ------
    NotFoundError : no such reading is the viewer's to see, or it has no picture
    FailureError : the kept file is damaged
    """
    with ledger.reading() as session:
        reading = reading_evidence(session, viewer, reading_id)
    if reading.kept_digest is not None:
        return ledger.pictures.content(reading.kept_digest)
    return evidence_picture(*_drawable(ledger, reading), is_later=True)


def drawable(ledger: Ledger, viewer: Viewer, reading_id: int) -> Drawable:
    """Return what a reading's pictures are drawn from; NotFoundError says why there are none."""
    with ledger.reading() as session:
        return _drawable(ledger, reading_evidence(session, viewer, reading_id))


def case_of_another_s(ledger: Ledger, viewer: Viewer, reading_id: int) -> int | None:
    """Return the case of a reading that the viewer sees and did not make; None of their own.

    Raises
    ------
    NotFoundError : it is not the viewer's to see
    """
    with ledger.reading() as session:
        reading = reading_evidence(session, viewer, reading_id)
    return None if reading.is_own else reading.case_id


def with_pictures(ledger: Ledger, viewer: Viewer, reading_ids: Collection[int]) -> frozenset[int]:
    """Return which of these readings have a picture that the viewer may look at."""
    if not reading_ids:
        return frozenset()
    with ledger.reading() as session:
        return readings_with_pictures(session, viewer, reading_ids)


def reopened(ledger: Ledger, viewer: Viewer, reading_id: int) -> Reopened:
    """Return a reading as it was saved; NotFoundError where it is not the viewer's to see."""
    with ledger.reading() as session:
        return _reopened(ledger, reading_evidence(session, viewer, reading_id))


def _reopened(ledger: Ledger, reading: ReadingEvidence) -> Reopened:
    why_without = why_alone = ""
    document = None if reading.document is None else read_document(reading.document)
    marks = _marks_of(reading)
    try:
        document = _drawable(ledger, reading).document
    except NotFoundError as problem:
        why_alone = str(problem)
        if reading.kept_digest is None:
            why_without = why_alone
    return Reopened(
        reading=reading,
        found=found_of(reading),
        way=read_words(None if reading.not_assessable_reason else reading.method),
        is_kept=reading.kept_digest is not None,
        document=document,
        sections_mm=() if marks is None or document is None else _sections(marks, document),
        placed_mm=() if marks is None else _placed(marks),
        is_axis_proposed=marks is not None and marks.is_axis_proposed,
        angles=_angles(reading, marks),
        planes_found=() if marks is None else tuple(sorted(marks.found)),
        why_without=why_without,
        why_alone=why_alone,
    )


def section_of(ledger: Ledger, viewer: Viewer, reading_id: int, number: int) -> bytes:
    """Return the picture of one of a reading's sections, counted from 0, as PNG."""
    with ledger.reading() as session:
        drawable = _drawable(ledger, reading_evidence(session, viewer, reading_id))
    depths = _sections(drawable.marks, drawable.document)
    if number >= len(depths):
        raise NotFoundError(f"this reading has {len(depths)} sections")
    return section_picture(*drawable, depths[number])


def along_of(ledger: Ledger, viewer: Viewer, reading_id: int, across: str) -> bytes:
    """Return the picture of a reading's plane along the axis, as PNG."""
    with ledger.reading() as session:
        drawable = _drawable(ledger, reading_evidence(session, viewer, reading_id))
    return along_axis_picture(*drawable, across_of(across))


def upright_of(ledger: Ledger, viewer: Viewer, reading_id: int) -> bytes:
    """Return the picture of a reading's midplane with the endplate, as PNG.

    Raises
    ------
    NotFoundError : as `picture`, or no midplane was set
    """
    with ledger.reading() as session:
        drawable = _drawable(ledger, reading_evidence(session, viewer, reading_id))
    if drawable.marks.placing.midplane is None:
        raise NotFoundError("no picture: no midplane was set")
    return upright_picture(*drawable)


def decided(
    ledger: Ledger, viewer: Viewer, reading_id: int, now: datetime
) -> tuple[Reopened, list[Reopened]]:
    """Return an adjudication that the viewer made and the readings between which it decided.

    It names nobody. From then on no reading of theirs in that case is blind: they have seen what
    others found.
    """
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    with ledger.reading() as session:
        found = decided_between(session, viewer, reading_id)
    if not found.is_shown:
        look_at_others_readings(ledger, viewer, reading_id, now)
    return (
        reopened(ledger, viewer, reading_id),
        [reopened(ledger, viewer, other) for other in found.others],
    )


def found_of(reading: ReadingEvidence) -> str:
    """Return what a reading found, in words."""
    reason = reading.not_assessable_reason
    if reason is not None:
        return f"not assessable: {reason}"
    return found_words(reading.extents_mm, reading.sd_mm, is_assessable=True)


def _drawable(ledger: Ledger, reading: ReadingEvidence) -> Drawable:
    if reading.is_deleted:
        raise NotFoundError(_DELETED)
    marks = _marks_of(reading)
    if marks is None:
        raise NotFoundError(_NO_MARKS)
    if reading.held_digest is None:
        raise NotFoundError(_NOT_HELD)
    if reading.document is None:
        image = ledger.images.open(reading.held_digest)
        return Drawable(image, marks, _document_now(ledger, reading, marks, image))
    document = read_document(reading.document)
    if document.image != reading.held_digest:
        raise NotFoundError(_NOT_HELD)
    return Drawable(ledger.images.open(document.image), marks, document)


def _marks_of(reading: ReadingEvidence) -> Marks | None:
    held = None if reading.marks is None else json.loads(reading.marks).get("marks")
    if not isinstance(held, dict) or reading.method == Method.TYPED:
        return None
    return read_marks(held)


def _document_now(
    ledger: Ledger, reading: ReadingEvidence, marks: Marks, image: Image
) -> EvidenceDocument:
    """Return what would have been kept: measured again, and the numbers shown as they stand."""
    diameter = None if reading.diameter_mm is None else float(reading.diameter_mm)
    screw = OpenedScrew(level(reading.level), Side(reading.side), diameter, image, reading.number)
    held = json.loads(reading.marks or "{}")
    window = held.get("window_hu")
    seen = Seen(
        window_hu=None if window is None else (int(window[0]), int(window[1])),
        planes=frozenset(held.get("shown_planes", ())),
        way=read_words(None if reading.not_assessable_reason else reading.method),
        found=found_of(reading),
    )
    measured = None
    if reading.not_assessable_reason is None and reading.method in _METHODS:
        with suppress(BadInputError):
            measured = measure_marks(screw, marks, Method(reading.method), ledger.settings)
    document = document_of(screw, marks, measured, seen)
    if measured is not None and measured.stored() != dict(reading.extents_mm):
        # The screw's diameter or a setting is another by now: no line stands for what was found.
        return replace(document, extents={})
    return document


def _sections(marks: Marks, document: EvidenceDocument) -> tuple[float, ...]:
    depths = {depth for bone in Bone for depth in marks.of(bone)}
    depths |= {line.depth_mm for line in marks.callipers}
    return tuple(sorted({*depths, document.depth_mm}))


def _angles(reading: ReadingEvidence, marks: Marks | None) -> Angles | None:
    if reading.not_assessable_reason is not None:
        return None
    why = Angles(why_no_convergence=NOT_MEASURED, why_no_sagittal=NOT_MEASURED)
    set_now = why if marks is None else angles_of(marks.placing)
    return replace(
        set_now, convergence_deg=reading.convergence_deg, sagittal_deg=reading.sagittal_deg
    )


def _placed(marks: Marks) -> tuple[tuple[str, tuple[float, ...]], ...]:
    axis, midplane = marks.placing.axis, marks.placing.midplane_mm
    placed = [("entry", axis.entry_mm), ("tip", axis.tip_mm)]
    if midplane is not None:
        placed += [("midplane, one point", midplane[0]), ("midplane, other point", midplane[1])]
    if marks.placing.endplate_mm is not None:
        front, back = marks.placing.endplate_mm
        placed += [("upper endplate, front", front), ("upper endplate, back", back)]
    return tuple(placed)
