"""The picture of what a reading was made on, drawn from its marks, its document and the image."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.desk_angles import angles_of
from registry.actions.desk_curves import front_runs
from registry.actions.desk_marks import Bone
from registry.actions.desk_pictures import (
    ALONG_MARGIN_MM,
    SECTION_HALF_WIDTH_MM,
    SECTION_SPACING_MM,
    UPRIGHT_SPACING_MM,
    upright_grid,
)
from registry.domain.caution import CAUTION
from registry.domain.directions import Direction, Side
from registry.domain.extent_words import wall_words
from registry.measure.planes import sample_planes
from registry.measure.sections import AlongGrid, sample_along_axis, sample_section
from reports.charts.sheet import SHEET_COLUMN, Panel, Stroke, drawn, png, sheet

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from registry.actions.desk_marks import Marks, Pair
    from registry.actions.desk_screw import Placing
    from registry.actions.evidence_document import EvidenceDocument
    from registry.store.images import Image

PICTURE_SIZE = (1236, 528)
"""Of every such picture, width and height in pixels."""
SECTION_SIZE = (480, 480)
DRAWN_LATER = "Drawn later from the kept marks."
_ZOOM, _ALONG_ZOOM, _UPRIGHT_ZOOM = 3, 2, 3
"""Of a section, at most of the picture along the axis (the words stand above that one), and of
the midplane."""
_CIRCLE_POINTS = 180
_SAME_DEPTH_MM = 0.05
_WINDOWS = {(-450, 1050): "bone", (-1000, 6000): "metal", (-135, 215): "soft"}
"""As the desk names its presets."""


def evidence_picture(
    image: Image, marks: Marks, document: EvidenceDocument, *, is_later: bool = False
) -> bytes:
    """Return the sheet of a reading as PNG: the section that decided, and one along the axis."""
    section = section_panel(image, marks, document, document.depth_mm)
    along = along_panel(image, marks, document, document.across)
    angles = angle_words(marks.placing)
    words = [
        f"{screw_words(document)}, {document.depth_mm:.1f} mm from the entry",
        f"{document.way}: {document.found}.",
        f"This section: {document.why}; it stands as a broken line in the other picture.",
        _legend(document, has_lines=any(c.depth_mm == document.depth_mm for c in marks.callipers)),
        f"{window_words(document)}; a pixel is {SECTION_SPACING_MM} mm.",
    ]
    # Said only with a sagittal angle: sheets from before there was one stay the same to the byte.
    if angles and marks.placing.endplate_mm is not None:
        words.insert(3, angles)
    if is_later:
        words.append(DRAWN_LATER)
    return png(sheet(section, along, document.window_hu, _sentences(words), CAUTION))


def section_picture(image: Image, marks: Marks, document: EvidenceDocument, depth: float) -> bytes:
    """Return one section of a reading by itself as PNG."""
    return png(drawn(section_panel(image, marks, document, depth), document.window_hu))


def along_axis_picture(
    image: Image, marks: Marks, document: EvidenceDocument, across: str
) -> bytes:
    """Return a reading's plane along the axis by itself as PNG."""
    return png(drawn(along_panel(image, marks, document, across), document.window_hu))


def section_values(
    image: Image, marks: Marks, document: EvidenceDocument, depth: float
) -> NDArray[np.int16]:
    """Return a section's values, int16 (row, column), as they were on screen."""
    frame = marks.placing.frame(depth, Side(document.side))
    return sample_section(
        image.voxels, image.affine, frame, SECTION_HALF_WIDTH_MM, SECTION_SPACING_MM
    )


def section_panel(image: Image, marks: Marks, document: EvidenceDocument, depth: float) -> Panel:
    """Return a section with what was marked and measured on it."""
    strokes = [*_screw_circle(document), *_cross()]
    for curve in document.curves:
        if curve.depth_mm == depth:
            strokes += [
                Stroke(points, "cortex", 2.0, is_dashed=is_carried)
                for is_carried, points in curve.runs
            ]
    strokes += _extent_lines(marks, document, depth)
    return Panel(
        section_values(image, marks, document, depth),
        SECTION_SPACING_MM,
        -SECTION_HALF_WIDTH_MM,
        SECTION_HALF_WIDTH_MM,
        _ZOOM,
        strokes,
        [point for bone in Bone for point in marks.of(bone).get(depth, ())],
        {"top": "cranial", "right": "medial", "bottom": "caudal", "left": "lateral"},
    )


def _screw_circle(document: EvidenceDocument) -> list[Stroke]:
    if document.diameter_mm is None:
        return []
    radius = document.diameter_mm / 2.0
    turns = [2.0 * math.pi * step / _CIRCLE_POINTS for step in range(_CIRCLE_POINTS + 1)]
    points = [(radius * math.cos(turn), radius * math.sin(turn)) for turn in turns]
    return [Stroke(points, "screw", is_dashed=document.is_estimated)]


def _cross() -> list[Stroke]:
    return [
        Stroke([(-0.6, 0.0), (0.6, 0.0)], "screw", 1.2),
        Stroke([(0.0, -0.6), (0.0, 0.6)], "screw", 1.2),
    ]


def _extent_lines(marks: Marks, document: EvidenceDocument, depth: float) -> list[Stroke]:
    lines = [
        Stroke((line.cortex_mm, line.edge_mm), "extent", 1.6)
        for line in marks.callipers
        if line.depth_mm == depth
    ]
    for wall, extent in document.extents.items():
        if extent.line_mm is None or extent.depth_mm is None or float(extent.mm) == 0.0:
            continue
        if wall is Direction.ANTERIOR or abs(extent.depth_mm - depth) > _SAME_DEPTH_MM:
            continue
        words = f"{wall_words(wall)} {extent.mm} mm"
        lines.append(Stroke(extent.line_mm, "extent", 2.8, words=words))
    return lines


def along_panel(image: Image, marks: Marks, document: EvidenceDocument, across: str) -> Panel:
    """Return the plane that holds the axis, with the screw and the section that decided."""
    placing = marks.placing
    frame = placing.frame(0.0, Side(document.side))
    up = frame.medial if across == "medial" else frame.cranial
    length = placing.axis.length_mm
    columns = math.ceil((length + 2.0 * ALONG_MARGIN_MM) / SECTION_SPACING_MM)
    stop = columns * SECTION_SPACING_MM - ALONG_MARGIN_MM
    grid = AlongGrid(-ALONG_MARGIN_MM, stop, SECTION_HALF_WIDTH_MM, SECTION_SPACING_MM)
    strokes = _screw_outline(document, length)
    half = SECTION_HALF_WIDTH_MM
    at = document.depth_mm
    strokes.append(Stroke([(at, -half + 3.0), (at, half - 3.0)], "plain", 1.2, is_dashed=True))
    strokes += _front(marks, document, across)
    other = {"medial": "lateral", "cranial": "caudal"}[across]
    return Panel(
        sample_along_axis(image.voxels, image.affine, placing.axis, up, grid),
        SECTION_SPACING_MM,
        -ALONG_MARGIN_MM,
        half,
        max(1, min(_ALONG_ZOOM, SHEET_COLUMN // columns)),
        strokes,
        marks.front.points_mm if marks.front and marks.front.across == across else (),
        {"top": across, "bottom": other, "left": "entry", "right": "tip"},
    )


def upright_picture(image: Image, marks: Marks, document: EvidenceDocument) -> bytes:
    """Return a reading's midplane about the screw as PNG: the endplate, and the axis's shadow."""
    grid = upright_grid(marks.placing)
    right, down = grid.right_mm / UPRIGHT_SPACING_MM, grid.down_mm / UPRIGHT_SPACING_MM

    def seen(place: ArrayLike) -> Pair:
        offset = np.asarray(place) - grid.first_mm
        return float(offset @ right), -float(offset @ down)

    axis, half = marks.placing.axis, UPRIGHT_SPACING_MM / 2.0
    strokes = [Stroke([seen(axis.entry_mm), seen(axis.tip_mm)], "screw", is_dashed=True)]
    if marks.placing.endplate_mm is not None:
        ends = [seen(end) for end in marks.placing.endplate_mm]
        strokes.append(Stroke(ends, "cortex", 2.0, words="upper endplate"))
    panel = Panel(
        sample_planes(image.voxels, image.affine, [grid])[0],
        UPRIGHT_SPACING_MM,
        -half,
        half,
        _UPRIGHT_ZOOM,
        strokes,
        edges={"top": "head", "right": "back", "bottom": "feet", "left": "front"},
    )
    return png(drawn(panel, document.window_hu))


def _screw_outline(document: EvidenceDocument, length: float) -> list[Stroke]:
    if document.diameter_mm is None:
        return [Stroke([(0.0, 0.0), (length, 0.0)], "screw")]
    edge = document.diameter_mm / 2.0
    points: list[Pair] = [(0, -edge), (length, -edge), (length, edge), (0, edge), (0, -edge)]
    return [Stroke(points, "screw", is_dashed=document.is_estimated)]


def _front(marks: Marks, document: EvidenceDocument, across: str) -> list[Stroke]:
    if marks.front is None or marks.front.across != across:
        return []
    strokes = [
        Stroke(points, "cortex", 2.0, is_dashed=is_carried)
        for is_carried, points in front_runs(marks.front.points_mm)
    ]
    found = document.extents.get(Direction.ANTERIOR)
    if found is not None and float(found.mm) > 0.0:
        edge = 0.0 if document.diameter_mm is None else document.diameter_mm / 2.0
        tip = (marks.placing.axis.length_mm, -edge - 2.5)
        strokes.append(Stroke([tip, tip], "extent", words=f"anterior {found.mm} mm"))
    return strokes


def screw_words(document: EvidenceDocument) -> str:
    """Return such as `L4 left`."""
    side = "left" if document.side == Side.LEFT else "right"
    number = f", screw {document.number}" if document.number > 1 else ""
    return f"{document.level} {side}{number}"


def angle_words(placing: Placing) -> str:
    """Return such as `Convergence 12.0, sagittal -3.1 degrees.`; '' where nothing was measured."""
    found = angles_of(placing)
    parts = [
        f"{name} {angle}"
        for name, angle in (
            ("convergence", found.convergence_deg),
            ("sagittal", found.sagittal_deg),
        )
        if angle is not None
    ]
    return f"{', '.join(parts)} degrees." if parts else ""


def window_words(document: EvidenceDocument) -> str:
    """Return the window as it stood on screen."""
    low, high = document.window_hu
    name = _WINDOWS.get(document.window_hu)
    return f"Window {low} to {high} HU" + (f" ({name})" if name else "")


def _legend(document: EvidenceDocument, *, has_lines: bool) -> str:
    if document.diameter_mm is None:
        return "The screw's diameter was not known: its axis alone is drawn."
    circle = f"Circle: the screw's edge, {document.diameter_mm:g} mm"
    if document.is_estimated:
        circle += ", estimated"
    if has_lines:
        circle += ". Line: the calliper"
    if not document.curves:
        return f"{circle}."
    is_marked = any(c.is_marked for c in document.curves if c.depth_mm == document.depth_mm)
    where = "where no mark is near" if is_marked else "as it lies between two marked sections"
    return f"{circle}. Curve: the outer cortex, dashed {where}."


def _sentences(lines: list[str]) -> list[str]:
    return [line[:1].upper() + line[1:] for line in lines]
