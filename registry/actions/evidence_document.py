"""What is kept with a reading beside its marks: enough to draw what it was made on once more."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, TypeAlias

from registry.actions.desk_curves import FittedCurve, curves_at
from registry.actions.desk_marks import Bone
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.problems import FailureError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from registry.actions.desk_marks import Marks, Pair
    from registry.actions.desk_measure import Measured
    from registry.actions.desk_screw import OpenedScrew

    Line: TypeAlias = "tuple[Pair, Pair]"

FORM = 1
"""Of the document and of the sheet that is drawn from it."""
BONE_WINDOW_HU = (-450, 1050)
"""Where a reading does not say which; the desk's own first one."""
_DRAWN_WITH = ("pedicle-ledger", "numpy", "scipy", "pillow")
_DIGITS = 3


@dataclass(frozen=True)
class KeptExtent:
    """One extent: stored and measured, with the place where it was found."""

    mm: str
    sd_mm: str | None
    measured_mm: float
    depth_mm: float | None
    bearing_deg: str | None
    line_mm: Line | None


@dataclass(frozen=True)
class EvidenceDocument:
    """What a sheet is drawn from, beside the marks and the image.

    Attributes
    ----------
    image : digest of the image that it was read on
    level, side, number : of the screw as it was read
    diameter_mm : that the circle was drawn by, None where nobody knew or estimated it
    is_estimated : that diameter is the reader's
    way : how it was read, in words
    found : what was found, in words
    window_hu : darkest and brightest value on screen
    depth_mm : of the section that decided
    why : why that section
    across : which plane along the axis is shown
    isthmus_mm : depth of the narrowest section, or None
    extents : by direction
    curves : the lines of the marked sections and of the one that decided
    """

    image: str
    level: str
    side: str
    number: int
    diameter_mm: float | None
    is_estimated: bool
    way: str
    found: str
    window_hu: tuple[int, int]
    depth_mm: float
    why: str
    across: str
    isthmus_mm: float | None
    extents: Mapping[Direction, KeptExtent]
    curves: tuple[FittedCurve, ...]

    def to_json(self) -> str:
        """Return the text that `read_document` takes, with what it was made by."""
        document = asdict(self) | {
            "form": FORM,
            "made_with": {name: version(name) for name in _DRAWN_WITH},
            "curves": [_curve_json(curve) for curve in self.curves],
        }
        return json.dumps(document, sort_keys=True, separators=(",", ":"))


@dataclass(frozen=True)
class Seen:
    """What was on screen when a reading was saved, and what it came to."""

    window_hu: tuple[int, int] | None
    planes: frozenset[str]
    way: str
    found: str


def document_of(
    screw: OpenedScrew, marks: Marks, measured: Measured | None, seen: Seen
) -> EvidenceDocument:
    """Return what is kept with a reading that was made on pictures."""
    depth, why = _decided(marks, measured)
    diameter = screw.diameter_mm
    front = marks.front
    across = "medial" if "medial" in seen.planes or "cranial" not in seen.planes else "cranial"
    return EvidenceDocument(
        image=screw.image.digest,
        level=screw.level.code,
        side=screw.side.value,
        number=screw.number,
        diameter_mm=marks.estimated_diameter_mm if diameter is None else diameter,
        is_estimated=diameter is None,
        way=seen.way,
        found=seen.found,
        window_hu=seen.window_hu or BONE_WINDOW_HU,
        depth_mm=depth,
        why=why,
        across=across if front is None else front.across,
        isthmus_mm=None if measured is None else measured.isthmus_mm,
        extents={} if measured is None else _extents(measured),
        curves=() if measured is None else _curves(depth, marks, measured),
    )


def _decided(marks: Marks, measured: Measured | None) -> tuple[float, str]:
    """Return the section that decided: of the greatest extent, the narrowest, or half way."""
    extents = {} if measured is None else measured.extents
    beyond = [
        (extent.extent_mm, -order, extent.depth_mm, wall)
        for order, wall in enumerate((*PEDICLE_WALLS, Direction.BODY_LATERAL, Direction.ENDPLATE))
        if (extent := extents.get(wall)) and extent.depth_mm is not None and extent.stored_mm > 0
    ]
    pedicle = [each for each in beyond if each[3] in PEDICLE_WALLS]
    if pedicle or (beyond and (measured is None or measured.isthmus_mm is None)):
        _, _, depth, wall = max(pedicle or beyond)
        return depth, f"where the {wall.replace('_', ' ')} extent is greatest"
    if measured is not None and measured.isthmus_mm is not None:
        return measured.isthmus_mm, "the narrowest of the marked pedicle"
    near = [e for wall in PEDICLE_WALLS if (e := extents.get(wall)) and e.depth_mm is not None]
    if near:
        return near[0].depth_mm or 0.0, "where the wall comes nearest"
    return round(marks.placing.axis.length_mm / 2.0, _DIGITS), "half way along the screw"


def _extents(measured: Measured) -> dict[Direction, KeptExtent]:
    return {
        wall: KeptExtent(
            mm=str(extent.stored_mm),
            sd_mm=str(extent.sd_mm),
            measured_mm=round(extent.extent_mm, _DIGITS),
            depth_mm=extent.depth_mm,
            bearing_deg=None if extent.bearing_deg is None else str(extent.bearing_deg),
            line_mm=None if extent.line_mm is None else _rounded(extent.line_mm),
        )
        for wall, extent in measured.extents.items()
    }


def _rounded(line: Line) -> Line:
    (u, v), (to_u, to_v) = line
    return (round(u, _DIGITS), round(v, _DIGITS)), (round(to_u, _DIGITS), round(to_v, _DIGITS))


def _curves(depth: float, marks: Marks, measured: Measured) -> tuple[FittedCurve, ...]:
    kept = [curve for curve in measured.curves if curve.is_marked]
    if not any(curve.depth_mm == depth for curve in kept):
        kept += curves_at(depth, measured.outlines, marks.bones)
    return tuple(_thinned(curve) for curve in kept)


def _thinned(curve: FittedCurve) -> FittedCurve:
    """Return a line as it is kept: to the hundredth of a millimetre."""
    runs = tuple(
        (is_carried, tuple((round(u, 2), round(v, 2)) for u, v in points))
        for is_carried, points in curve.runs
    )
    return FittedCurve(curve.depth_mm, curve.bone, curve.is_marked, runs)


def _curve_json(curve: FittedCurve) -> dict[str, Any]:
    return {
        "depth_mm": curve.depth_mm,
        "bone": curve.bone,
        "is_marked": curve.is_marked,
        "runs": curve.runs,
    }


def read_document(text: str) -> EvidenceDocument:
    """Return a document from its text; FailureError where it is none of this program's."""
    try:
        held = json.loads(text)
        if held.pop("form") != FORM:
            raise ValueError  # noqa: TRY301 - said below with everything else
        held.pop("made_with")
        curves, extents = held.pop("curves"), held.pop("extents")
        low, high = held.pop("window_hu")
        return EvidenceDocument(
            **held,
            window_hu=(low, high),
            extents={Direction(wall): _kept_extent(each) for wall, each in extents.items()},
            curves=tuple(_kept_curve(each) for each in curves),
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        raise FailureError(
            "what was kept with this reading cannot be read by this program; a newer one may"
        ) from None


def _kept_extent(held: dict[str, Any]) -> KeptExtent:
    line = held.pop("line_mm")
    return KeptExtent(**held, line_mm=None if line is None else (tuple(line[0]), tuple(line[1])))


def _kept_curve(held: dict[str, Any]) -> FittedCurve:
    runs = tuple(
        (is_carried, tuple((u, v) for u, v in points)) for is_carried, points in held["runs"]
    )
    return FittedCurve(held["depth_mm"], Bone(held["bone"]), held["is_marked"], runs)
