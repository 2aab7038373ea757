"""What the desk's page sends, turned into what the actions take; and back."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TYPE_CHECKING, Any, TypeVar, cast

from registry.actions.desk_answer import Shown, Submission, TypedExtents
from registry.actions.desk_marks import read_marks, read_placing
from registry.domain.directions import Direction
from registry.domain.millimetres import LARGEST_EXTENT_MM, parse_tenths
from registry.domain.problems import BadInputError, Fault
from registry.domain.readings import Confidence, Method, NotAssessableReason

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

    from werkzeug.datastructures import MultiDict

    from registry.actions.desk_angles import Angles
    from registry.actions.desk_curves import FittedCurve
    from registry.actions.desk_marks import Marks
    from registry.actions.desk_measure import Measured
    from registry.actions.desk_screw import Placing
    from registry.measure.axes import Point

Word = TypeVar("Word", bound=StrEnum)

_MOST_DEPTHS = 500
_DIGITS = 3
"""Places travel in thousandths of a millimetre."""


def document_of(sent: object) -> Mapping[str, Any]:
    """Return what was sent as a mapping; BadInputError where it is none."""
    if not isinstance(sent, dict):
        raise BadInputError(Fault("not in the form that this page sends", mend="reload the page"))
    return cast("Mapping[str, Any]", sent)


def point_of(sent: object) -> Point:
    """Return the point that was picked."""
    found = document_of(sent).get("point_mm")
    if not isinstance(found, list) or len(found) != 3 or not all(map(_is_number, found)):  # noqa: PLR2004 - x, y and z
        raise BadInputError(Fault("no point was picked", "point", "pick the screw's shank"))
    return float(found[0]), float(found[1]), float(found[2])


def placing_of(asked: MultiDict[str, str]) -> Placing:
    """Return the screw's ends and midplane from an address: entry=x,y,z&tip=x,y,z&midplane=..."""
    document: dict[str, Any] = {
        "entry_mm": _coordinates(asked.get("entry", ""), "entry"),
        "tip_mm": _coordinates(asked.get("tip", ""), "tip"),
    }
    midplane = asked.get("midplane")
    if midplane:
        document["midplane_mm"] = [_coordinates(part, "midplane") for part in midplane.split(";")]
    return read_placing(document)


def placed_of(sent: object) -> Placing:
    """Return ends, midplane and endplate from what was posted."""
    return read_placing(document_of(sent))


def angles_json(angles: Angles) -> dict[str, Any]:
    """Return angles, and why there is none, for the page."""
    return {
        "convergence_deg": _text(angles.convergence_deg),
        "sagittal_deg": _text(angles.sagittal_deg),
        "why_no_convergence": angles.why_no_convergence,
        "why_no_sagittal": angles.why_no_sagittal,
    }


def position_of(asked: MultiDict[str, str]) -> float | None:
    """Return where a plane was asked for, None where it was left open."""
    text = asked.get("position")
    return None if text is None else _coordinates(text, "position")[0]


def marks_and_way_of(sent: object) -> tuple[Marks, Method]:
    """Return what is to be measured, and how."""
    document = document_of(sent)
    return read_marks(document_of(document.get("marks"))), _word(Method, document, "way")


def submission_of(sent: object) -> Submission:
    """Return the reader's answer; BadInputError with everything that cannot be read."""
    document = document_of(sent)
    marks, reason = document.get("marks"), document.get("not_assessable")
    return Submission(
        way=_word(Method, document, "way") if document.get("way") else None,
        marks=None if marks is None else read_marks(document_of(marks)),
        typed=_typed(document_of(document.get("typed") or {})),
        shown=_shown(document_of(document.get("shown") or {})),
        not_assessable=_word(NotAssessableReason, document, "not_assessable") if reason else None,
        confidence=_word(Confidence, document, "confidence")
        if document.get("confidence")
        else None,
        note=str(document.get("note") or ""),
        seconds_spent=_whole(document.get("seconds_spent"), "time spent"),
        window_hu=_window(document.get("window_hu")),
        side_confirmed=document.get("side_confirmed") is True,
        axis_confirmed=document.get("axis_confirmed") is True,
    )


def draft_of(sent: object) -> Mapping[str, Any]:
    """Return the draft that was sent; what is in it is the page's own."""
    return document_of(document_of(sent).get("draft"))


def key_of(sent: object) -> str | None:
    """Return the key under which a reading is to be saved once."""
    key = document_of(sent).get("key")
    return None if key is None else str(key)


def measured_json(measured: Measured) -> dict[str, Any]:
    """Return what marks came to, for the page."""
    return {
        "extents": {
            wall.value: {
                "mm": str(extent.stored_mm),
                "sd_mm": str(extent.sd_mm),
                "measured_mm": round(extent.extent_mm, _DIGITS),
                "depth_mm": extent.depth_mm,
                "line_mm": extent.line_mm,
            }
            for wall, extent in measured.extents.items()
        },
        "bearing_deg": _text(measured.bearing_deg),
        "convergence_deg": _text(measured.convergence_deg),
        "sagittal_deg": _text(measured.sagittal_deg),
        "grade": measured.grade,
        "grade_step": measured.grade_step,
        "missing_walls": [wall.value for wall in measured.missing_walls],
        "is_near_cut_off": measured.is_near_cut_off,
        "narrowest_mm": measured.isthmus_mm,
        "sections_marked": measured.sections_marked,
        "curves": [_curve_json(curve) for curve in measured.curves],
        "faults": [fault.line() for fault in measured.faults],
        "unfinished": [fault.line() for fault in measured.unfinished],
        "notes": list(measured.notes),
    }


def _curve_json(curve: FittedCurve) -> dict[str, Any]:
    return {
        "depth_mm": curve.depth_mm,
        "bone": curve.bone.value,
        "is_marked": curve.is_marked,
        "runs": [
            {
                "is_carried": is_carried,
                "points_mm": [[round(u, _DIGITS), round(v, _DIGITS)] for u, v in points],
            }
            for is_carried, points in curve.runs
        ],
    }


def _text(value: Decimal | None) -> str | None:
    return None if value is None else str(value)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _coordinates(text: str, where: str) -> list[float]:
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise BadInputError(
            Fault(f"{text!r} is no place", where, "give numbers in millimetres")
        ) from None


def _word(words: type[Word], document: Mapping[str, Any], name: str) -> Word:
    try:
        return words(str(document.get(name)))
    except ValueError:
        known = ", ".join(word.value for word in words)
        raise BadInputError(Fault("none of the choices", name, f"choose {known}")) from None


def _whole(value: object, where: str) -> int | None:
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool):
        raise BadInputError(Fault("no whole number", where, "reload the page"))
    return value


def _window(value: object) -> tuple[int, int] | None:
    if not isinstance(value, list) or len(value) != 2 or not all(map(_is_number, value)):  # noqa: PLR2004 - low and high
        return None
    return int(value[0]), int(value[1])


def _shown(document: Mapping[str, Any]) -> Shown:
    depths, planes = document.get("depths_mm") or [], document.get("planes") or []
    is_sound = (
        isinstance(depths, list)
        and isinstance(planes, list)
        and len(depths) <= _MOST_DEPTHS
        and len(planes) <= _MOST_DEPTHS
        and all(map(_is_number, depths))
    )
    if not is_sound:
        raise BadInputError(Fault("not in the form that this page sends", "what was on screen"))
    known = {"medial", "cranial"}
    return Shown(tuple(float(depth) for depth in depths), frozenset(known.intersection(planes)))


def _typed(document: Mapping[str, Any]) -> TypedExtents:
    faults: list[Fault] = []
    found: dict[str, Decimal] = {}
    for name in (*(wall.value for wall in Direction), "uncertainty"):
        text = str(document.get(name) or "").strip()
        if not text:
            continue
        try:
            found[name] = _typed_tenths(text, least_is_above_0=name == "uncertainty")
        except ValueError as error:
            faults.append(Fault(f"{text!r}", name.replace("_", " "), str(error)))
    if faults:
        raise BadInputError(*faults)
    uncertainty = found.pop("uncertainty", None)
    return TypedExtents({Direction(name): value for name, value in found.items()}, uncertainty)


def _typed_tenths(text: str, *, least_is_above_0: bool) -> Decimal:
    # A comma stands for the point here: a field holds one number, so it separates nothing.
    value = parse_tenths(text.replace(",", "."))
    if value > LARGEST_EXTENT_MM:
        raise ValueError(f"give at most {LARGEST_EXTENT_MM} mm")
    if least_is_above_0 and value == 0:
        raise ValueError("give 0.1 or more")
    return value
