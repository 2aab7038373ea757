"""The pictures of a screw for a page of a meeting: its worst section, large, and a second plane.

They are drawn from what was kept with the reading, like the picture that was kept itself, so that
they show what the reader marked; nothing of the scan's files or of the patient stands on them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, hypot, radians, sin
from typing import TYPE_CHECKING

from registry.actions.evidence import drawable, found_of, picture
from registry.actions.evidence_drawing import along_panel, section_panel, window_words
from registry.actions.image_notes import notes_of
from registry.domain.directions import Direction
from registry.domain.problems import FailureError, NotFoundError
from registry.store.queries.evidence import reading_evidence
from reports.charts.sheet import Stroke, drawn, png
from reports.documents.blocks import Picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.actions.evidence import Drawable
    from registry.actions.evidence_document import EvidenceDocument
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.charts.sheet import Pair, Panel

_HALF_WIDTHS_MM = (8.0, 10.0, 12.0, 15.0, 20.0)
"""Of a section; the smallest is taken that holds every line and some way around them."""
_AROUND_MM = 3.0
_CORNERS_DEG = (45, 135, 225, 315)
_WORD_MM = 1.5
_WIDE = 960
"""Pixels of a section; each of its values is a square of whole ones."""
_INK, _ALONG_ZOOM, _ALONG_INK = 2.0, 3, 2.2
_CRANIAL_WALLS = {Direction.CRANIAL, Direction.CAUDAL, Direction.ENDPLATE}
_MEDIAL_WALLS = {Direction.MEDIAL, Direction.LATERAL, Direction.BODY_LATERAL}


@dataclass(frozen=True)
class ScrewPictures:
    """What a page shows of a screw.

    Attributes
    ----------
    section, along : the worst section and the plane along the axis; the second None where the kept
        picture, which holds both, stands for them
    told : what the reading that they show found, in words
    notes : what is to be known of the images, in words
    """

    section: Picture
    along: Picture | None
    told: str
    notes: tuple[str, ...] = ()


def screw_pictures(
    ledger: Ledger, viewer: Viewer, reading_ids: Sequence[int], name: str
) -> ScrewPictures | str:
    """Return the pictures of the first of these readings that has any, else why there are none."""
    why = ""
    for reading_id in reading_ids:
        with ledger.reading() as session:
            found = found_of(reading_evidence(session, viewer, reading_id))
        try:
            return _drawn(drawable(ledger, viewer, reading_id), name, found)
        except NotFoundError as problem:
            why = str(problem)
        try:
            return _kept(picture(ledger, viewer, reading_id), name, found)
        except NotFoundError:
            continue
        except FailureError:
            why = "no picture: the kept one is damaged; the steward restores it from a backup"
    return why or "no picture: no reading of it counts"


def _drawn(held: Drawable, name: str, found: str) -> ScrewPictures:
    document, marks = held.document, held.marks
    section = _large(section_panel(held.image, marks, document, document.depth_mm), document)
    across = _across(document)
    along = replace(
        along_panel(held.image, marks, document, across), zoom=_ALONG_ZOOM, ink=_ALONG_INK
    )
    edge = _edge_words(document)
    return ScrewPictures(
        Picture(
            png(drawn(section, document.window_hu)),
            f"Section across {name}, {document.depth_mm:.1f} mm from the entry, medial at the "
            f"right and cranial on top. {edge} The reading that it shows found: {found}.",
            f"Section {document.depth_mm:.1f} mm from the entry: {document.why}. "
            f"{window_words(document)}.",
        ),
        Picture(
            png(drawn(along, document.window_hu)),
            f"{name} along its axis from the entry, at the left, to the tip, {across} on top; the "
            "screw's outline, and a broken line where the section lies.",
            f"Along the screw, {across} on top; the broken line is the section.",
        ),
        found,
        notes_of(held.image),
    )


def _kept(content: bytes, name: str, found: str) -> ScrewPictures:
    section = Picture(
        content,
        f"{name} as it was read: the section that decided and a plane along the axis. Found: "
        f"{found}.",
        "As it was kept with the reading; its images are not held here any more.",
    )
    return ScrewPictures(section, None, found)


def _across(document: EvidenceDocument) -> str:
    """Return the plane in which the greatest extent is seen, else the one that was looked at."""
    extents = {wall: float(each.mm) for wall, each in document.extents.items()}
    worst = max(extents, key=lambda wall: extents[wall], default=None)
    if worst is None or extents[worst] == 0.0:
        return document.across
    if worst in _CRANIAL_WALLS:
        return "cranial"
    return "medial" if worst in _MEDIAL_WALLS else document.across


def _large(panel: Panel, document: EvidenceDocument) -> Panel:
    """Return a section cut to what is drawn on it and some way around, in larger pixels."""
    rows, columns = panel.values.shape
    (left, low), half = _cut(panel)
    wide = round(2.0 * half / panel.spacing_mm)
    column = min(max(round((left - panel.left_mm) / panel.spacing_mm), 0), columns - wide)
    row = min(max(round((panel.top_mm - low) / panel.spacing_mm) - wide, 0), rows - wide)
    return replace(
        panel,
        values=panel.values[row : row + wide, column : column + wide],
        left_mm=panel.left_mm + column * panel.spacing_mm,
        top_mm=panel.top_mm - row * panel.spacing_mm,
        zoom=_WIDE // wide,
        ink=_INK,
        bar_mm=5.0,
        strokes=[*panel.strokes, *_names(panel, document)],
    )


def _cut(panel: Panel) -> tuple[Pair, float]:
    """Return the lower left corner and half the width of the square that holds what is drawn."""
    points = [*panel.dots_mm, *(point for stroke in panel.strokes for point in stroke.points_mm)]
    across, up = zip(*points, strict=True)
    middle = (max(across) + min(across)) / 2.0, (max(up) + min(up)) / 2.0
    reached = max(max(across) - min(across), max(up) - min(up)) / 2.0 + _AROUND_MM
    half = next((each for each in _HALF_WIDTHS_MM if each >= reached), _HALF_WIDTHS_MM[-1])
    return (middle[0] - half, middle[1] - half), half


def _names(panel: Panel, document: EvidenceDocument) -> list[Stroke]:
    """Return the words that tell the two closed lines apart in grey as well."""
    radius = (document.diameter_mm or 0.0) / 2.0
    cortex = [point for each in panel.strokes if each.ink == "cortex" for point in each.points_mm]
    ends = [each.points_mm for each in panel.strokes if each.ink == "extent"]
    # An extent's own words stand outwards of its end.
    taken = [*cortex, *(at for end in ends for at in (end[-1], *_words_of(*end)))]
    outside = [point for point in cortex if hypot(*point) > radius]
    # Towards a corner: the middles of the edges have words of their own.
    place = max(outside, key=lambda point: min(map(abs, point)) + 0.3 * hypot(*point), default=None)
    names = [] if place is None else [_word_at(place, "cortex", "outer cortex")]
    if radius:
        free = [(radius * cos(radians(turn)), radius * sin(radians(turn))) for turn in _CORNERS_DEG]
        names.append(_word_at(max(free, key=lambda at: _room_at(at, taken)), "screw", "screw"))
    return names


def _words_of(start: Pair, end: Pair) -> list[Pair]:
    """Return places that the words of an extent cover."""
    step = _WORD_MM if end[0] >= start[0] else -_WORD_MM
    return [(end[0] + step * times, end[1]) for times in (1, 2, 3)]


def _room_at(place: Pair, taken: Sequence[Pair]) -> float:
    """Return how far a short word beside a place would be from what is drawn, in mm."""
    word = place[0] + (_WORD_MM if place[0] > 0 else -_WORD_MM), place[1]
    return min((hypot(word[0] - u, word[1] - v) for u, v in taken), default=0.0)


def _word_at(point: Pair, ink: str, words: str) -> Stroke:
    """Return a word beside a point, to its outer side."""
    inwards = (point[0] * 0.98, point[1] * 0.98)
    return Stroke((inwards, point), ink, words=words)


def _edge_words(document: EvidenceDocument) -> str:
    if document.diameter_mm is None:
        return "The screw's diameter was not known: its axis alone is drawn."
    estimated = ", estimated" if document.is_estimated else ""
    return f"The screw's edge is a circle of {document.diameter_mm:g} mm{estimated}."
