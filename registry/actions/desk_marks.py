"""What a reader sets on the desk: the screw's ends, marks of the bone, callipers.

This is also what is kept with the reading, as JSON with sorted keys. Places in sections are
(u medial, v cranial), on the picture along the axis (depth, across), ends LPS; all millimetres.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeAlias

from registry.actions.desk_screw import Placing
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.problems import BadInputError, Fault
from registry.measure.axes import ScrewAxis, point

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from registry.actions.desk_pictures import Across
    from registry.measure.axes import Point

Pair: TypeAlias = tuple[float, float]
MarksByDepth: TypeAlias = "Mapping[float, tuple[Pair, ...]]"

MOST_SECTIONS, MOST_MARKS = 60, 100
"""More marked sections, or marks in one, are a slip."""
_FARTHEST_MM = 2000.0
_STEEPEST_MIDPLANE_DEG = 45.0
_STEEPEST_ENDPLATE_DEG = 75.0
_SHORTEST_ENDPLATE_MM = 5.0
"""Nearer together two places tell no direction; both bounds are ours."""


class Bone(StrEnum):
    """Which bone a mark on a section shows."""

    OUTLINE = "outline"
    MEDIAL = "medial"
    CAUDAL = "caudal"
    BODY_LATERAL = "body_lateral"
    UPPER_ENDPLATE = "upper_endplate"
    LOWER_ENDPLATE = "lower_endplate"


@dataclass(frozen=True)
class Calliper:
    """A line on a section, from the cortex to the screw's edge outside."""

    depth_mm: float
    cortex_mm: Pair
    edge_mm: Pair


@dataclass(frozen=True)
class FrontMarks:
    """Marks of the body's front on a picture along the axis."""

    across: Across
    points_mm: tuple[Pair, ...]


@dataclass(frozen=True)
class Marks:
    """Everything that was set.

    Attributes
    ----------
    placing : the screw's ends and the midplane
    bones : marks by bone and depth
    callipers : lines
    contained : walls that the reader saw contained, for the calliper
    front : marks of the body's front, or None
    estimated_diameter_mm : where the catalogue's is not known
    is_axis_proposed : the program found the ends, and the reader took them as they were
    found : which of `midplane` and `endplate` stand as the program found them
    """

    placing: Placing
    bones: Mapping[Bone, MarksByDepth] = field(default_factory=dict)
    callipers: tuple[Calliper, ...] = ()
    contained: frozenset[Direction] = frozenset()
    front: FrontMarks | None = None
    estimated_diameter_mm: float | None = None
    is_axis_proposed: bool = False
    found: frozenset[str] = frozenset()

    def of(self, bone: Bone) -> MarksByDepth:
        """Return the marks of one bone by depth."""
        return self.bones.get(bone, MappingProxyType({}))

    def to_json(self) -> str:
        """Return the text that `read_marks` takes, the same for the same marks."""
        axis, front = self.placing.axis, self.front
        document: dict[str, Any] = {
            "entry_mm": axis.entry_mm,
            "tip_mm": axis.tip_mm,
            "midplane_mm": self.placing.midplane_mm,
            "bones": {
                bone: [
                    {"depth_mm": depth, "points_mm": points}
                    for depth, points in sorted(by_depth.items())
                ]
                for bone, by_depth in self.bones.items()
                if by_depth
            },
            "callipers": [
                {"depth_mm": line.depth_mm, "cortex_mm": line.cortex_mm, "edge_mm": line.edge_mm}
                for line in self.callipers
            ],
            "contained": sorted(self.contained),
            "front": front and {"across": front.across, "points_mm": front.points_mm},
            "estimated_diameter_mm": self.estimated_diameter_mm,
        }
        # Said only where it is so: what was kept before it was asked stays the same text.
        if self.is_axis_proposed:
            document["is_axis_proposed"] = True
        if self.placing.endplate_mm is not None:
            document["endplate_mm"] = self.placing.endplate_mm
        if self.found:
            document["found"] = sorted(self.found)
        return json.dumps(document, sort_keys=True, separators=(",", ":"))


def read_placing(document: Mapping[str, Any]) -> Placing:
    """Return the screw's ends, midplane and endplate; BadInputError where they make no screw."""
    entry, tip = (_numbers(document.get(name), 3, name) for name in ("entry_mm", "tip_mm"))
    axis = ScrewAxis((entry[0], entry[1], entry[2]), (tip[0], tip[1], tip[2]))
    return Placing(axis, _midplane(document), _endplate(document))


def _two_points(document: Mapping[str, Any], where: str) -> tuple[Point, Point] | None:
    given = document.get(f"{where}_mm")
    if given is None:
        return None
    points = [_numbers(each, 3, where) for each in _listed(given, where, 2)]
    if len(points) != 2:  # noqa: PLR2004 - a line has two points
        raise BadInputError(Fault(f"the {where} needs two points", where))
    return point(points[0]), point(points[1])


def _midplane(document: Mapping[str, Any]) -> tuple[Point, Point] | None:
    points = _two_points(document, "midplane")
    if points is None:
        return None
    (x, y, _), (other_x, other_y, _) = points
    across, along = abs(other_x - x), abs(other_y - y)
    if math.degrees(math.atan2(across, along)) > _STEEPEST_MIDPLANE_DEG or along == 0.0:
        raise BadInputError(
            Fault(
                "its two points do not lie one behind the other",
                "midplane",
                "mark the middle of the body's front and the spinous process",
            )
        )
    return points


def _endplate(document: Mapping[str, Any]) -> tuple[Point, Point] | None:
    points = _two_points(document, "endplate")
    if points is None:
        return None
    front, back = points
    level = math.dist(front[:2], back[:2])
    if level < _SHORTEST_ENDPLATE_MM or (
        math.degrees(math.atan2(abs(front[2] - back[2]), level)) > _STEEPEST_ENDPLATE_DEG
    ):
        raise BadInputError(
            Fault(
                "its two ends do not lie one before the other",
                "upper endplate",
                "mark its front and its back corner",
            )
        )
    return points


def read_marks(document: Mapping[str, Any]) -> Marks:
    """Return marks from their JSON; BadInputError where something is not as it must be."""
    bones = document.get("bones") or {}
    if not isinstance(bones, dict):
        raise _wrong("bones")
    contained = _each(document.get("contained"), "contained", 7, _pedicle_wall)
    diameter = document.get("estimated_diameter_mm")
    return Marks(
        placing=read_placing(document),
        bones={_bone(name): _by_depth(name, given) for name, given in bones.items()},
        callipers=_each(document.get("callipers"), "callipers", MOST_MARKS, _calliper),
        contained=frozenset(contained),
        front=_front(document.get("front")),
        estimated_diameter_mm=None if diameter is None else _number(diameter, "diameter"),
        is_axis_proposed=document.get("is_axis_proposed") is True,
        found=frozenset(_each(document.get("found"), "found", 2, _plane_found)),
    )


def _wrong(where: str) -> BadInputError:
    return BadInputError(Fault("not in the form that this page sends", where, "reload the page"))


def _listed(value: object, where: str, most: int) -> Sequence[Any]:
    if value is None:
        return ()
    if not isinstance(value, list):
        raise _wrong(where)
    if len(value) > most:
        raise BadInputError(Fault(f"{len(value)} are too many", where, f"keep at most {most}"))
    return value


def _each(value: object, where: str, most: int, read: Callable[[Any], Any]) -> tuple[Any, ...]:
    return tuple(read(each) for each in _listed(value, where, most))


def _number(value: object, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(where)
    if not (math.isfinite(value) and abs(value) <= _FARTHEST_MM):
        raise BadInputError(Fault(f"{value} is no length in millimetres", where))
    return float(value)


def _numbers(value: object, count: int, where: str) -> tuple[float, ...]:
    found = _each(value, where, count, lambda each: _number(each, where))
    if len(found) != count:
        raise _wrong(where)
    return found


def _pair(value: object, where: str) -> Pair:
    first, second = _numbers(value, 2, where)
    return first, second


def _bone(name: str) -> Bone:
    try:
        return Bone(name)
    except ValueError:
        raise _wrong("bones") from None


def _pedicle_wall(name: object) -> Direction:
    found = next((wall for wall in PEDICLE_WALLS if wall == name), None)
    if found is None:
        raise _wrong("contained")
    return found


def _plane_found(name: object) -> str:
    if name not in {"midplane", "endplate"}:
        raise _wrong("found")
    return str(name)


def _by_depth(name: str, given: object) -> dict[float, tuple[Pair, ...]]:
    found: dict[float, tuple[Pair, ...]] = {}
    for section in _listed(given, name, MOST_SECTIONS):
        if not isinstance(section, dict):
            raise _wrong(name)
        depth = _number(section.get("depth_mm"), name)
        points = _each(section.get("points_mm"), name, MOST_MARKS, lambda each: _pair(each, name))
        if points:
            found[depth] = points
    return found


def _calliper(given: object) -> Calliper:
    if not isinstance(given, dict):
        raise _wrong("callipers")
    return Calliper(
        _number(given.get("depth_mm"), "callipers"),
        _pair(given.get("cortex_mm"), "callipers"),
        _pair(given.get("edge_mm"), "callipers"),
    )


def _front(given: object) -> FrontMarks | None:
    if given is None:
        return None
    if not isinstance(given, dict) or given.get("across") not in {"medial", "cranial"}:
        raise _wrong("front")
    points = _each(given.get("points_mm"), "front", MOST_MARKS, lambda each: _pair(each, "front"))
    return FrontMarks(given["across"], points) if points else None
