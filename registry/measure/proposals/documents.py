"""A proposal as canonical JSON, and back: what is kept of it, the same text for the same numbers.

Millimetres and degrees are kept to thousandths, a normal's parts to millionths.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from registry.domain.directions import Direction, Side
from registry.measure.axes import Midplane, ScrewAxis
from registry.measure.proposals.records import (
    LoggedScrew,
    ProposedExtent,
    ProposedScrew,
    ScanProposal,
    UnmatchedScrew,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from registry.measure.axes import Point

_MM_DIGITS, _NORMAL_DIGITS = 3, 6


def to_json(proposal: ScanProposal) -> str:
    """Return a proposal as text.

    Raises
    ------
    ValueError : a number is not finite
    """
    return _text(
        {
            "screws": [_screw(each) for each in proposal.screws],
            "unmatched": [
                {
                    "axis": _axis(each.axis),
                    "diameter_mm": _mm(each.diameter_mm),
                    "words": each.words,
                }
                for each in proposal.unmatched
            ],
            "missing": [_logged(each) for each in proposal.missing],
            "notes": list(proposal.notes),
        }
    )


def from_json(text: str) -> ScanProposal:
    """Return the proposal that `to_json` wrote."""
    found = json.loads(text)
    return ScanProposal(
        screws=tuple(_read_screw(each) for each in found["screws"]),
        unmatched=tuple(
            UnmatchedScrew(_read_axis(each["axis"]), each["diameter_mm"], each["words"])
            for each in found["unmatched"]
        ),
        missing=tuple(_read_logged(each) for each in found["missing"]),
        notes=tuple(found["notes"]),
    )


def logged_to_json(logged: Iterable[LoggedScrew]) -> str:
    """Return the log's screws as text."""
    return _text([_logged(each) for each in logged])


def logged_from_json(text: str) -> tuple[LoggedScrew, ...]:
    """Return the log's screws that `logged_to_json` wrote."""
    return tuple(_read_logged(each) for each in json.loads(text))


def log_digest(logged: Iterable[LoggedScrew]) -> str:
    """Return the SHA-256 of the log's screws: with another one a proposal is worked out anew."""
    return hashlib.sha256(logged_to_json(logged).encode()).hexdigest()


def _text(document: object) -> str:
    return json.dumps(
        document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def _mm(value: float) -> float:
    # Adding nought turns -0.0 into 0.0, which would be another text.
    return round(float(value), _MM_DIGITS) + 0.0


def _optional_mm(value: float | None) -> float | None:
    return None if value is None else _mm(value)


def _point(values: Sequence[float]) -> list[float]:
    return [_mm(value) for value in values]


def _optional_point(values: Sequence[float] | None) -> list[float] | None:
    return None if values is None else _point(values)


def _normal(values: Sequence[float]) -> list[float]:
    return [round(float(value), _NORMAL_DIGITS) + 0.0 for value in values]


def _axis(axis: ScrewAxis) -> dict[str, Any]:
    return {"entry_mm": _point(axis.entry_mm), "tip_mm": _point(axis.tip_mm)}


def _logged(screw: LoggedScrew) -> dict[str, Any]:
    return {
        "level": screw.level,
        "side": str(screw.side),
        "number": screw.number,
        "diameter_mm": _optional_mm(screw.diameter_mm),
        "length_mm": _optional_mm(screw.length_mm),
    }


def _extent(found: ProposedExtent) -> dict[str, Any]:
    return {
        "extent_mm": _mm(found.extent_mm),
        "sd_mm": _mm(found.sd_mm),
        "depth_mm": _optional_mm(found.depth_mm),
        "bearing_deg": _optional_mm(found.bearing_deg),
        "cortex_mm": _optional_point(found.cortex_mm),
        "edge_mm": _optional_point(found.edge_mm),
    }


def _screw(screw: ProposedScrew) -> dict[str, Any]:
    plane, normal = screw.midplane, screw.endplate_normal
    return {
        "logged": _logged(screw.logged),
        "axis": _axis(screw.axis),
        "diameter_mm": _mm(screw.diameter_mm),
        "is_diameter_estimated": bool(screw.is_diameter_estimated),
        "extents": {str(wall): _extent(found) for wall, found in screw.extents.items()},
        "not_measured": {str(wall): why for wall, why in screw.not_measured.items()},
        "outlines": [
            {"depth_mm": _mm(depth), "points_mm": [_point(place) for place in places]}
            for depth, places in sorted(screw.outlines.items())
        ],
        "midplane": plane and {"point_mm": _point(plane.point_mm), "normal": _normal(plane.normal)},
        "endplate_normal": None if normal is None else _normal(normal),
        "convergence_deg": _optional_mm(screw.convergence_deg),
        "sagittal_deg": _optional_mm(screw.sagittal_deg),
    }


def _triple(values: Sequence[float]) -> Point:
    x, y, z = values
    return (x, y, z)


def _pair(values: Sequence[float] | None) -> tuple[float, float] | None:
    return None if values is None else (values[0], values[1])


def _read_axis(found: dict[str, Any]) -> ScrewAxis:
    return ScrewAxis(_triple(found["entry_mm"]), _triple(found["tip_mm"]))


def _read_logged(found: dict[str, Any]) -> LoggedScrew:
    return LoggedScrew(**{**found, "side": Side(found["side"])})


def _read_extent(found: dict[str, Any]) -> ProposedExtent:
    ends = {name: _pair(found[name]) for name in ("cortex_mm", "edge_mm")}
    return ProposedExtent(**{**found, **ends})


def _read_screw(found: dict[str, Any]) -> ProposedScrew:
    plane, normal = found["midplane"], found["endplate_normal"]
    return ProposedScrew(
        logged=_read_logged(found["logged"]),
        axis=_read_axis(found["axis"]),
        diameter_mm=found["diameter_mm"],
        is_diameter_estimated=found["is_diameter_estimated"],
        extents={Direction(wall): _read_extent(each) for wall, each in found["extents"].items()},
        not_measured={Direction(wall): why for wall, why in found["not_measured"].items()},
        outlines={
            each["depth_mm"]: tuple((u, v) for u, v in each["points_mm"])
            for each in found["outlines"]
        },
        midplane=plane and Midplane(_triple(plane["point_mm"]), _triple(plane["normal"])),
        endplate_normal=None if normal is None else _triple(normal),
        convergence_deg=found["convergence_deg"],
        sagittal_deg=found["sagittal_deg"],
    )
