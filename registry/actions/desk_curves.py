"""The fitted cortex as lines to be drawn, at marked depths and in between."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

from registry.actions.desk_marks import Bone
from registry.domain.problems import BadInputError, Fault
from registry.measure.cortex import LEAST_MARKS, between, fit_curve
from registry.measure.walls import fit_wall, wall_between

if TYPE_CHECKING:
    from collections.abc import Mapping

    from registry.actions.desk_marks import MarksByDepth, Pair
    from registry.measure.cortex import ClosedCurve
    from registry.measure.walls import OpenCurve, Outwards

    Run: TypeAlias = tuple[bool, tuple[Pair, ...]]

CARRIED_FROM_DEG = 30.0
"""A piece of the outline farther than this from every mark is drawn as carried through; ours."""
DRAWN_STEP_MM = 0.3
"""Of open walls."""
_EVERY = 16
"""A closed outline is drawn by 128 of its 2,048 points: less than 0.01 mm off up to 16 mm."""
_OUTWARDS: dict[Bone, Outwards] = {
    Bone.MEDIAL: (0, 1),
    Bone.CAUDAL: (1, -1),
    Bone.BODY_LATERAL: (0, -1),
    Bone.UPPER_ENDPLATE: (1, 1),
    Bone.LOWER_ENDPLATE: (1, -1),
}


@dataclass(frozen=True)
class Fitted:
    """Closed outlines by depth; of the others what is wrong, or what has to be marked yet."""

    curves: Mapping[float, ClosedCurve] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    unfinished: tuple[Fault, ...] = ()


@dataclass(frozen=True)
class FittedCurve:
    """A line to be drawn on one section.

    Attributes
    ----------
    depth_mm : of the section
    bone : which it is
    is_marked : False for an outline worked out between two marked sections
    runs : pieces in order, each with whether it is carried through a part without marks
    """

    depth_mm: float
    bone: Bone
    is_marked: bool
    runs: tuple[Run, ...]


def fit_outlines(marks_by_depth: MarksByDepth) -> Fitted:
    """Return an outline a section; one that cannot be fitted does not keep the others from it."""
    curves: dict[float, ClosedCurve] = {}
    faults: list[Fault] = []
    unfinished: list[Fault] = []
    for depth, marks in sorted(marks_by_depth.items()):
        where = f"section at {depth:.1f} mm"
        left = LEAST_MARKS - len(set(marks))
        if left > 0:
            more = "1 more mark makes" if left == 1 else f"{left} more marks make"
            unfinished.append(Fault(f"{more} an outline", where))
            continue
        try:
            curves[depth] = fit_curve(marks)
        except BadInputError as problem:
            faults.extend(Fault(fault.what, where, fault.mend) for fault in problem.faults)
    return Fitted(curves, tuple(faults), tuple(unfinished))


def drawn_curves(fitted: Fitted, bones: Mapping[Bone, MarksByDepth]) -> tuple[FittedCurve, ...]:
    """Return every line to be drawn: outlines, those in between, and open walls."""
    drawn = [
        FittedCurve(depth, Bone.OUTLINE, is_marked=True, runs=_runs(curve))
        for depth, curve in fitted.curves.items()
    ]
    drawn.extend(_in_between(fitted.curves))
    for bone, outwards in _OUTWARDS.items():
        for depth, marks in bones.get(bone, {}).items():
            drawn.extend(_wall(bone, depth, marks, outwards))
    return tuple(drawn)


def _in_between(curves: Mapping[float, ClosedCurve]) -> list[FittedCurve]:
    depths = sorted(curves)
    found = []
    for low, high in pairwise(depths):
        for whole in range(math.floor(low) + 1, math.ceil(high)):
            curve = between(curves[low], curves[high], (whole - low) / (high - low))
            runs = ((True, _closed(curve)),)
            found.append(FittedCurve(float(whole), Bone.OUTLINE, is_marked=False, runs=runs))
    return found


def _closed(curve: ClosedCurve) -> tuple[Pair, ...]:
    points = [(float(u), float(v)) for u, v in curve.points[::_EVERY]]
    return (*points, points[0])


def _runs(curve: ClosedCurve) -> tuple[Run, ...]:
    """Return the outline in pieces, near the marks and away from them."""
    points = _closed(curve)
    is_carried = [bool(angle > CARRIED_FROM_DEG) for angle in curve.from_mark_deg[::_EVERY]]
    runs: list[tuple[bool, list[Pair]]] = []
    for number, (here, following) in enumerate(pairwise(points)):
        carried = is_carried[number]
        if not runs or runs[-1][0] != carried:
            runs.append((carried, [here]))
        runs[-1][1].append(following)
    return tuple((carried, tuple(piece)) for carried, piece in runs)


def curves_at(
    depth: float, outlines: Mapping[float, ClosedCurve], bones: Mapping[Bone, MarksByDepth]
) -> tuple[FittedCurve, ...]:
    """Return the lines of one section, marked or not, as extents are measured on it."""
    drawn: list[FittedCurve] = []
    if depth in outlines:
        drawn.append(FittedCurve(depth, Bone.OUTLINE, is_marked=True, runs=_runs(outlines[depth])))
    elif (ends := _neighbours(depth, outlines)) is not None:
        low, high = ends
        curve = between(outlines[low], outlines[high], (depth - low) / (high - low))
        runs = ((True, _closed(curve)),)
        drawn.append(FittedCurve(depth, Bone.OUTLINE, is_marked=False, runs=runs))
    for bone, outwards in _OUTWARDS.items():
        drawn.extend(_wall_at(bone, depth, bones.get(bone, {}), outwards))
    return tuple(drawn)


def _neighbours(depth: float, by_depth: Mapping[float, object]) -> tuple[float, float] | None:
    """Return the marked depths before and behind one, None where it lies beyond them all."""
    return next(
        ((low, high) for low, high in pairwise(sorted(by_depth)) if low < depth < high), None
    )


def _wall_at(
    bone: Bone, depth: float, by_depth: MarksByDepth, outwards: Outwards
) -> list[FittedCurve]:
    if depth in by_depth:
        return _wall(bone, depth, by_depth[depth], outwards)
    ends = _neighbours(depth, by_depth)
    if ends is None:
        return []
    low, high = ends
    try:
        lines = [fit_wall(by_depth[end], outwards) for end in ends]
        line = wall_between(lines[0], lines[1], (depth - low) / (high - low))
    except BadInputError:
        return []
    points = tuple((float(u), float(v)) for u, v in line.points[:: _step_of(line)])
    return [FittedCurve(depth, bone, is_marked=False, runs=((True, points),))]


def _step_of(line: OpenCurve) -> int:
    return max(1, round(DRAWN_STEP_MM / float(line.along_mm[1] - line.along_mm[0])))


def _wall(
    bone: Bone, depth: float, marks: tuple[Pair, ...], outwards: Outwards
) -> list[FittedCurve]:
    try:
        line = fit_wall(marks, outwards)
    except BadInputError:
        return []  # told where it is measured
    return [FittedCurve(depth, bone, is_marked=True, runs=_open_runs(line))]


def front_runs(points_mm: tuple[Pair, ...]) -> tuple[Run, ...]:
    """Return the body's front, fitted on a picture along the axis; nothing where no line fits."""
    try:
        return _open_runs(fit_wall(points_mm, (0, 1), "front of the body"))
    except BadInputError:
        return ()


def _open_runs(line: OpenCurve) -> tuple[Run, ...]:
    first, last = line.marked_mm
    is_seen = (line.along_mm >= first) & (line.along_mm <= last)
    points = [(float(u), float(v)) for u, v in line.points]
    step = _step_of(line)
    start, stop = int(is_seen.argmax()), len(points) - 1 - int(is_seen[::-1].argmax())
    pieces = ((True, 0, start), (False, start, stop), (True, stop, len(points) - 1))
    return tuple((carried, (*points[low:high:step], points[high])) for carried, low, high in pieces)
