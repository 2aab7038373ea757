"""The desk's pictures, as Hounsfield values with the geometry that a page needs to measure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from registry.actions.desk_kept import KEPT
from registry.actions.desk_screw import Placing, open_screw
from registry.actions.desk_side import side_doubt
from registry.domain.problems import BadInputError, Fault
from registry.measure.axes import unit
from registry.measure.metal import shank_near
from registry.measure.overview import metal_projection, overview, scan_middle_mm, volume_span_mm
from registry.measure.planes import PlaneGrid, sample_planes
from registry.measure.sections import AlongGrid, sample_along_axis, sample_sections

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable
    from datetime import datetime

    from numpy.typing import NDArray

    from registry.actions.desk_screw import OpenedScrew
    from registry.domain.access import Viewer
    from registry.measure.axes import Point
    from registry.measure.overview import PlaneName
    from registry.store.home import Ledger
    from registry.store.images import Image

    Across: TypeAlias = Literal["medial", "cranial"]

SECTION_HALF_WIDTH_MM = 20.0
SECTION_SPACING_MM = 0.25
SECTION_STEP_MM = 1.0
SAME_SECTION_MM = 0.05
ALONG_MARGIN_MM = 15.0
"""How much is shown before the entry and beyond the tip."""
OVERVIEW_SPACING_MM = 0.5
PROJECTION_SPACING_MM = 1.0
UPRIGHT_HALF_MM, UPRIGHT_SPACING_MM = 40.0, 0.5
UPRIGHT_PIXELS = round(2.0 * UPRIGHT_HALF_MM / UPRIGHT_SPACING_MM) + 1
UPRIGHT_AT_SHARE = 0.75
"""Where along the screw the picture of the midplane has its middle."""


@dataclass(frozen=True, eq=False)
class Pictures:
    """Planes of int16 values and what places them.

    Attributes
    ----------
    values : int16 (plane, row, column)
    layout : JSON-able: `planes`, `rows`, `columns`, `spacing_mm` and what the kind adds
    """

    values: NDArray[np.int16]
    layout: dict[str, Any]

    @classmethod
    def of(cls, values: NDArray[np.int16], spacing_mm: float, **more: object) -> Pictures:
        """Return planes with their layout."""
        planes, rows, columns = values.shape
        return cls(
            values,
            {"planes": planes, "rows": rows, "columns": columns, "spacing_mm": spacing_mm, **more},
        )

    def to_bytes(self) -> bytes:
        """Return the values in order, little-endian."""
        return self.values.astype("<i2", copy=False).tobytes()


@dataclass(frozen=True)
class SuggestedAxis:
    """A screw's ends as its metal shows them.

    Attributes
    ----------
    entry_mm, tip_mm : LPS
    length_mm : from one to the other
    shank_diameter_mm : of the metal as the picture shows it, blurred and bloomed
    side_doubt : why it looks like the other side's screw, or None
    """

    entry_mm: Point
    tip_mm: Point
    length_mm: float
    shank_diameter_mm: float
    side_doubt: str | None


def suggest_axis(
    ledger: Ledger, viewer: Viewer, assignment_id: int, point_mm: Point, now: datetime
) -> SuggestedAxis:
    """Return the ends of the screw whose shank passes near a point; BadInputError where none."""
    screw = open_screw(ledger, viewer, assignment_id, now)
    shank = shank_near(screw.image.voxels, screw.image.affine, point_mm)
    axis = shank.axis
    doubt = side_doubt(screw, Placing(axis))
    return SuggestedAxis(
        axis.entry_mm,
        axis.tip_mm,
        axis.length_mm,
        2.0 * shank.radius_mm,
        None if doubt is None else doubt.words,
    )


def plane_picture(
    ledger: Ledger,
    viewer: Viewer,
    assignment_id: int,
    plane: PlaneName,
    position_mm: float | None,
    now: datetime,
) -> Pictures:
    """Return an axial, coronal or sagittal plane of the scan; None takes the scan's middle.

    The layout adds `corner_mm` (LPS, centre of the first pixel), `right` and `down` (unit
    vectors), `position_mm` and the scan's span along the direction looked, `span_mm`.
    """
    image = open_screw(ledger, viewer, assignment_id, now).image
    asked = ("plane", plane, position_mm)
    return _kept(ledger, image, asked, lambda: _plane(image, plane, position_mm))


def _kept(ledger: Ledger, image: Image, asked: Hashable, cut: Callable[[], Pictures]) -> Pictures:
    """Return the pictures of an image that was opened for whoever asks."""
    return KEPT.get(ledger.images.path_of(image.digest), asked, cut)


def _plane(image: Image, plane: PlaneName, position_mm: float | None) -> Pictures:
    through = {"sagittal": 0, "coronal": 1, "axial": 2}[plane]
    if position_mm is None:
        position_mm = scan_middle_mm(image.voxels, image.affine)[through]
    found = overview(image.voxels, image.affine, plane, position_mm, OVERVIEW_SPACING_MM)
    least, greatest = volume_span_mm(image.voxels, image.affine)
    return Pictures.of(
        found.pixels[None],
        found.spacing_mm,
        plane=plane,
        position_mm=position_mm,
        corner_mm=found.corner_mm.tolist(),
        right=found.right.tolist(),
        down=found.down.tolist(),
        span_mm=[float(least[through]), float(greatest[through])],
    )


def metal_picture(ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime) -> Pictures:
    """Return the scan looked through from the front, for finding a screw.

    Plane 0 holds the brightest value behind each pixel, planes 1 to 3 where it lies: x, y and z
    in tenths of a millimetre, LPS.
    """
    image = open_screw(ledger, viewer, assignment_id, now).image
    return _kept(ledger, image, ("metal",), lambda: _metal(image))


def _metal(image: Image) -> Pictures:
    found = metal_projection(image.voxels, image.affine, "coronal", PROJECTION_SPACING_MM)
    tenths = np.clip(np.rint(found.places_mm * 10.0), -32768, 32767).astype(np.int16)
    values = np.concatenate([found.pixels[None], np.moveaxis(tenths, -1, 0)])
    return Pictures.of(values, found.spacing_mm)


def section_depths(length_mm: float) -> tuple[float, ...]:
    """Return the depths at which a screw is looked at: every millimetre from entry to tip.

    Examples
    --------
    >>> section_depths(3.4)
    (0.0, 1.0, 2.0, 3.0, 3.4)
    """
    whole = [step * SECTION_STEP_MM for step in range(math.floor(length_mm / SECTION_STEP_MM) + 1)]
    end = math.floor(length_mm * 1000.0) / 1000.0
    # A section that close to the last would be the same picture with the same number.
    return tuple(whole if end - whole[-1] < SAME_SECTION_MM else [*whole, end])


def section_pictures(
    ledger: Ledger, viewer: Viewer, assignment_id: int, placing: Placing, now: datetime
) -> Pictures:
    """Return the sections from entry to tip, medial at the right and cranial on top.

    The layout adds `depths_mm`, one a plane; the axis passes through the middle of each; and
    `side_doubt`, None or why the screw looks like the other side's (`words`) and whether the
    reader may put that aside (`may_be_confirmed`).
    """
    screw = open_screw(ledger, viewer, assignment_id, now)
    asked = ("sections", screw.side, placing)
    return _kept(ledger, screw.image, asked, lambda: _sections(screw, placing))


def _sections(screw: OpenedScrew, placing: Placing) -> Pictures:
    depths = section_depths(placing.axis.length_mm)
    values = sample_sections(
        screw.image.voxels,
        screw.image.affine,
        placing.frames(depths, screw.side),
        SECTION_HALF_WIDTH_MM,
        SECTION_SPACING_MM,
    )
    doubt = side_doubt(screw, placing)
    told = doubt and {"words": doubt.words, "may_be_confirmed": not doubt.is_certain}
    return Pictures.of(values, SECTION_SPACING_MM, depths_mm=list(depths), side_doubt=told)


def along_picture(
    ledger: Ledger,
    viewer: Viewer,
    assignment_id: int,
    placing: Placing,
    across: Across,
    now: datetime,
) -> Pictures:
    """Return the plane that holds the axis, entry at the left, medial or cranial on top.

    The layout adds `start_mm`, the depth of the left edge, and the axis's and the upper edge's
    directions, `along` and `up` (unit vectors, LPS).
    """
    screw = open_screw(ledger, viewer, assignment_id, now)
    asked = ("along", screw.side, placing, across)
    return _kept(ledger, screw.image, asked, lambda: _along(screw, placing, across))


def _along(screw: OpenedScrew, placing: Placing, across: Across) -> Pictures:
    frame = placing.frame(0.0, screw.side)
    up = frame.medial if across == "medial" else frame.cranial
    length = placing.axis.length_mm
    columns = math.ceil((length + 2.0 * ALONG_MARGIN_MM) / SECTION_SPACING_MM)
    start = -ALONG_MARGIN_MM
    stop = start + columns * SECTION_SPACING_MM
    grid = AlongGrid(start, stop, SECTION_HALF_WIDTH_MM, SECTION_SPACING_MM)
    values = sample_along_axis(screw.image.voxels, screw.image.affine, placing.axis, up, grid)
    return Pictures.of(
        values[None],
        SECTION_SPACING_MM,
        across=across,
        start_mm=start,
        along=frame.normal.tolist(),
        up=up.tolist(),
    )


def upright_picture(
    ledger: Ledger, viewer: Viewer, assignment_id: int, placing: Placing, now: datetime
) -> Pictures:
    """Return the vertebra's midplane about the screw, front at the left and head on top.

    The layout adds `corner_mm` (LPS, centre of the first pixel), `right` and `down`.
    """
    image = open_screw(ledger, viewer, assignment_id, now).image
    grid = upright_grid(placing)
    asked = ("upright", placing.axis, placing.midplane_mm)
    return _kept(ledger, image, asked, lambda: _upright(image, grid))


def _upright(image: Image, grid: PlaneGrid) -> Pictures:
    return Pictures.of(
        sample_planes(image.voxels, image.affine, [grid])[0][None],
        UPRIGHT_SPACING_MM,
        corner_mm=grid.first_mm.tolist(),
        right=unit(grid.right_mm).tolist(),
        down=unit(grid.down_mm).tolist(),
    )


def upright_grid(placing: Placing) -> PlaneGrid:
    """Return the pixels of a midplane, the middle of the screw's front half in their middle.

    Raises
    ------
    BadInputError : without a midplane
    """
    midplane = placing.midplane
    if midplane is None:
        raise BadInputError(Fault("not set", "midplane", "set it on the axial picture first"))
    across = np.asarray(midplane.normal)
    down = np.array([0.0, 0.0, -1.0])
    right = np.cross(across, down)
    right = right if right[1] >= 0.0 else -right
    middle = placing.axis.at(UPRIGHT_AT_SHARE * placing.axis.length_mm)
    middle = middle - float((middle - np.asarray(midplane.point_mm)) @ across) * across
    return PlaneGrid(
        middle - UPRIGHT_HALF_MM * (right + down),
        UPRIGHT_SPACING_MM * right,
        UPRIGHT_SPACING_MM * down,
        UPRIGHT_PIXELS,
        UPRIGHT_PIXELS,
    )


def across_of(word: str) -> Across:
    """Return the direction across the axis that a word names."""
    if word == "medial":
        return "medial"
    if word == "cranial":
        return "cranial"
    raise BadInputError(Fault(f"no view {word!r} along the axis", "across", "medial or cranial"))


def plane_of(word: str) -> PlaneName:
    """Return the plane that a word names."""
    if word == "axial":
        return "axial"
    if word == "coronal":
        return "coronal"
    if word == "sagittal":
        return "sagittal"
    raise BadInputError(Fault(f"no plane {word!r}", "plane", "axial, coronal or sagittal"))
