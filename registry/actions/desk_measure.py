"""What a reader's marks come to: the one function behind the live numbers and the saving."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING

from registry.actions.desk_angles import angles_of
from registry.actions.desk_callipers import ordered_ends
from registry.actions.desk_curves import Fitted, FittedCurve, drawn_curves, fit_outlines
from registry.actions.desk_marks import Bone, Marks
from registry.actions.desk_screw import OpenedScrew, closes_a_ring, open_screw
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.millimetres import LARGEST_EXTENT_MM, TENTH, measured_to_stored, to_tenths
from registry.domain.problems import BadInputError, Fault
from registry.domain.readings import Method
from registry.domain.scales import SCALES, grade, measured_walls
from registry.measure.body import anterior_extent, body_lateral_extent, endplate_extent
from registry.measure.calliper import calliper_line
from registry.measure.extents import WallExtent, pedicle_extents
from registry.measure.uncertainty import calliper_uncertainty, extent_uncertainty, near_cut_off
from registry.measure.wall_extents import s1_extents

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from registry.actions.desk_marks import Pair
    from registry.domain.access import Viewer
    from registry.domain.settings import Settings
    from registry.measure.cortex import ClosedCurve
    from registry.measure.extents import PedicleExtents
    from registry.store.home import Ledger

_FULL_TURN = Decimal(360)
_LAST_STEP = 4
LEAST_OUTLINES = 3
"""The narrowest section, one before and one behind it."""


@dataclass(frozen=True)
class MeasuredExtent:
    """One extent as measured and as it would be stored.

    Attributes
    ----------
    extent_mm : as measured
    stored_mm : whole tenths, 0 under the unit's floor
    sd_mm : one standard deviation, whole tenths, at least 0.1
    depth_mm : of the section it was found in, None where no section holds it
    bearing_deg : of the line through the wall, None off the sections
    line_mm : from the cortex to the screw's edge, in its section, None where there is none
    """

    extent_mm: float
    stored_mm: Decimal
    sd_mm: Decimal
    depth_mm: float | None = None
    bearing_deg: Decimal | None = None
    line_mm: tuple[Pair, Pair] | None = None


@dataclass(frozen=True)
class Measured:
    """What marks come to; a direction that is not in `extents` was not measured.

    Attributes
    ----------
    extents : by direction
    bearing_deg : of the greatest pedicle extent, None where none is above 0
    convergence_deg : against the midplane, None where none is set
    sagittal_deg : against the upper endplate, None where none is set
    grade : on the unit's scale, None where a needed wall was not measured
    grade_step : 0 to 4, where the grade stands on its scale from best to worst, or None
    missing_walls : needed for a grade and not measured
    is_near_cut_off : the other side of one of the unit's cut-offs is likelier than its share
    isthmus_mm : depth of the least bone section, None without outlines
    sections_marked : how many sections hold marks that count
    curves : to be drawn
    outlines : the fitted closed outlines by marked depth
    faults : what is wrong with the marks and keeps this from being saved
    unfinished : what has to be marked yet before it can be saved
    notes : what to look at again; nothing is kept from being saved by them
    """

    extents: Mapping[Direction, MeasuredExtent] = field(default_factory=dict)
    bearing_deg: Decimal | None = None
    convergence_deg: Decimal | None = None
    sagittal_deg: Decimal | None = None
    grade: str | None = None
    grade_step: int | None = None
    missing_walls: tuple[Direction, ...] = ()
    is_near_cut_off: bool = False
    isthmus_mm: float | None = None
    sections_marked: int = 0
    curves: tuple[FittedCurve, ...] = ()
    outlines: Mapping[float, ClosedCurve] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    unfinished: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()

    def stored(self) -> dict[Direction, Decimal | None]:
        """Return every direction's stored extent, None where it was not measured."""
        return {
            wall: self.extents[wall].stored_mm if wall in self.extents else None
            for wall in Direction
        }


def measure(
    ledger: Ledger, viewer: Viewer, assignment_id: int, marks: Marks, way: Method, now: datetime
) -> Measured:
    """Return what marks come to by the contour or the calliper.

    What is wrong with some of them is told in `faults` beside what the others give.
    """
    screw = open_screw(ledger, viewer, assignment_id, now)
    return measure_marks(screw, marks, way, ledger.settings)


def measure_marks(screw: OpenedScrew, marks: Marks, way: Method, settings: Settings) -> Measured:
    """Return what marks on an opened screw come to; see `measure`."""
    if way not in {Method.CONTOUR, Method.CALLIPER}:
        raise BadInputError(Fault(f"marks are not used {way}", "way", "contour or calliper"))
    work = _Work(screw, marks, settings)
    if way is Method.CONTOUR:
        _by_contour(work)
    _by_calliper(work, is_only_way=way is Method.CALLIPER)
    _body(work)
    return _told(work)


@dataclass(frozen=True)
class _Place:
    """Where an extent was found."""

    depth_mm: float | None = None
    bearing_deg: float | None = None
    line_mm: tuple[Pair, Pair] | None = None


@dataclass
class _Work:
    """One measurement under way."""

    screw: OpenedScrew
    marks: Marks
    settings: Settings
    extents: dict[Direction, MeasuredExtent] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    unfinished: list[Fault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    fitted: Fitted = field(default_factory=Fitted)
    isthmus_mm: float | None = None
    is_short: bool = False

    @property
    def is_diameter_known(self) -> bool:
        return self.screw.diameter_mm is not None

    @property
    def radius_mm(self) -> float:
        diameter = self.screw.diameter_mm
        if diameter is None:
            diameter = self.marks.estimated_diameter_mm
        if diameter is None:
            raise BadInputError(
                Fault("the screw's diameter is not known", "diameter", "estimate it first")
            )
        return diameter / 2.0

    @property
    def length_mm(self) -> float:
        return self.marks.placing.axis.length_mm

    def trying(self, step: Callable[[], None]) -> None:
        """Do one step; what is wrong with its marks does not keep the others from counting."""
        try:
            step()
        except BadInputError as problem:
            self.faults.extend(problem.faults)

    def keep(self, wall: Direction, found: WallExtent) -> None:
        """Keep an extent with its uncertainty."""
        frame = self.marks.placing.frame(0.0, self.screw.side)
        sd = extent_uncertainty(
            found, frame, self.screw.image.affine, is_diameter_known=self.is_diameter_known
        ).sd_mm
        line = None
        if found.bearing_deg is not None and found.cortex_mm and found.edge_mm:
            line = (found.cortex_mm, found.edge_mm)
        self.put(wall, found.extent_mm, sd, _Place(found.depth_mm, found.bearing_deg, line))

    def put(self, wall: Direction, extent_mm: float, sd_mm: float, place: _Place) -> None:
        if Decimal(repr(extent_mm)) > LARGEST_EXTENT_MM:
            raise BadInputError(
                Fault(f"{extent_mm:.1f} mm cannot be", wall.value, "look at the marks again")
            )
        self.extents[wall] = MeasuredExtent(
            extent_mm,
            measured_to_stored(extent_mm, self.settings.floor_mm),
            max(TENTH, to_tenths(Decimal(repr(sd_mm)))),
            place.depth_mm,
            None if place.bearing_deg is None else _bearing(place.bearing_deg),
            place.line_mm,
        )


def _bearing(degrees: float) -> Decimal:
    return to_tenths(Decimal(repr(degrees))) % _FULL_TURN


def _by_contour(work: _Work) -> None:
    if closes_a_ring(work.screw.level):
        work.trying(lambda: _ring(work))
    else:
        work.trying(lambda: _s1(work))


def _ring(work: _Work) -> None:
    outlines = work.marks.of(Bone.OUTLINE)
    if not outlines:
        return
    work.fitted = fit_outlines(outlines)
    work.faults.extend(work.fitted.faults)
    work.unfinished.extend(work.fitted.unfinished)
    _tell_how_far(work)
    if work.fitted.curves:
        found = pedicle_extents(work.radius_mm, work.fitted.curves, length_mm=work.length_mm)
        work.isthmus_mm = found.isthmus_mm
        _keep_all(work, found)
        _tell_narrowest(work)


def _tell_how_far(work: _Work) -> None:
    count = len(work.fitted.curves)
    if count < LEAST_OUTLINES:
        work.is_short = True
        mend = "mark at least three sections: the narrowest, one before and one behind"
        what = f"{count} {'section' if count == 1 else 'sections'} marked"
        work.unfinished.append(Fault(what, "contour", mend))


def _tell_narrowest(work: _Work) -> None:
    depths = sorted(work.fitted.curves)
    if len(depths) < LEAST_OUTLINES or work.isthmus_mm is None:
        return
    for depth, place, where in ((depths[0], "first", "before"), (depths[-1], "last", "behind")):
        if math.isclose(work.isthmus_mm, depth, abs_tol=1e-6):
            work.notes.append(
                f"the narrowest of the marked sections is the {place}: "
                f"the pedicle may be narrower {where} it"
            )


def _s1(work: _Work) -> None:
    medial, caudal = work.marks.of(Bone.MEDIAL), work.marks.of(Bone.CAUDAL)
    if medial or caudal:
        _keep_all(work, s1_extents(work.radius_mm, medial, caudal))


def _keep_all(work: _Work, found: PedicleExtents) -> None:
    for wall, extent in found.by_wall.items():
        work.keep(wall, extent)


def _by_calliper(work: _Work, *, is_only_way: bool) -> None:
    """Add what lines measure; beside a contour only the walls that it left open."""
    measured = set(work.extents)
    affine = work.screw.image.affine
    frame = work.marks.placing.frame(0.0, work.screw.side)

    def add(number: int) -> None:
        drawn = work.marks.callipers[number]
        cortex, edge = ordered_ends(drawn, work.radius_mm)
        line = calliper_line(cortex, edge)
        kept = work.extents.get(line.wall)
        if line.wall in measured or (kept is not None and kept.extent_mm >= line.length_mm):
            return
        sd = calliper_uncertainty(line.bearing_deg, frame, affine).sd_mm
        place = _Place(drawn.depth_mm, line.bearing_deg, (cortex, edge))
        work.put(line.wall, line.length_mm, sd, place)

    for number in range(len(work.marks.callipers)):
        work.trying(lambda number=number: add(number))  # type: ignore[misc]
    if is_only_way:
        _contained(work, calliper_uncertainty(0.0, frame, affine).sd_mm)


def _contained(work: _Work, sd_mm: float) -> None:
    for wall in PEDICLE_WALLS:
        if wall not in work.marks.contained:
            continue
        if wall in work.extents:
            work.faults.append(
                Fault("a line crosses a wall that is said to be contained", wall.value)
            )
        else:
            work.put(wall, 0.0, sd_mm, _Place())


def _body(work: _Work) -> None:
    front, placing = work.marks.front, work.marks.placing
    if front is not None:
        across = getattr(placing.frame(0.0, work.screw.side), front.across)
        work.trying(
            lambda: work.keep(
                Direction.ANTERIOR,
                anterior_extent(placing.axis, across, front.points_mm),
            )
        )
    side_marks = work.marks.of(Bone.BODY_LATERAL)
    if side_marks:
        work.trying(
            lambda: work.keep(
                Direction.BODY_LATERAL,
                body_lateral_extent(work.radius_mm, side_marks, work.length_mm),
            )
        )
    work.trying(lambda: _endplates(work))


def _endplates(work: _Work) -> None:
    found = []
    upper, lower = work.marks.of(Bone.UPPER_ENDPLATE), work.marks.of(Bone.LOWER_ENDPLATE)
    if upper:
        found.append(endplate_extent(work.radius_mm, upper, work.length_mm, "upper"))
    if lower:
        found.append(endplate_extent(work.radius_mm, lower, work.length_mm, "lower"))
    if found:
        work.keep(Direction.ENDPLATE, max(found, key=lambda each: each.margin_mm or -math.inf))


def _told(work: _Work) -> Measured:
    at, settings = work.screw.level, work.settings
    stored = {wall: extent.stored_mm for wall, extent in work.extents.items()}
    pedicle = {wall: work.extents[wall] for wall in PEDICLE_WALLS if wall in work.extents}
    top = max(pedicle.values(), key=lambda each: each.extent_mm, default=None)
    depths = {depth for by_depth in work.marks.bones.values() for depth in by_depth}
    depths |= {line.depth_mm for line in work.marks.callipers}
    found = None if work.is_short else grade(stored, at.code, settings.scale)
    angles = angles_of(work.marks.placing)
    return Measured(
        extents=work.extents,
        bearing_deg=top.bearing_deg if top is not None and top.stored_mm > 0 else None,
        convergence_deg=angles.convergence_deg,
        sagittal_deg=angles.sagittal_deg,
        grade=found,
        grade_step=None if found is None else _step(found, settings.scale),
        missing_walls=_missing(work, stored),
        is_near_cut_off=top is not None and _is_near(top, settings),
        isthmus_mm=work.isthmus_mm,
        sections_marked=len(depths),
        curves=drawn_curves(work.fitted, work.marks.bones),
        outlines=work.fitted.curves,
        faults=tuple(work.faults),
        unfinished=tuple(work.unfinished),
        notes=tuple(work.notes),
    )


def _step(found: str, scale: str) -> int:
    grades = SCALES[scale].grades
    return round(_LAST_STEP * grades.index(found) / (len(grades) - 1))


def _missing(work: _Work, stored: Mapping[Direction, Decimal]) -> tuple[Direction, ...]:
    at = work.screw.level
    if not at.has_pedicle_grade or measured_walls(stored, at) is not None:
        return ()
    return tuple(wall for wall in PEDICLE_WALLS if wall in at.needed_walls - stored.keys())


def _is_near(top: MeasuredExtent, settings: Settings) -> bool:
    cut_offs = [float(cut_off) for cut_off in settings.cut_offs_mm]
    return near_cut_off(top.extent_mm, float(top.sd_mm), cut_offs, float(settings.near_share))
