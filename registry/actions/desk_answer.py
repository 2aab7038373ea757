"""A reader's answer, and what it comes to before it is saved; every fault at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from registry.actions.desk_angles import angles_of
from registry.actions.desk_measure import Measured, measure_marks
from registry.actions.desk_pictures import SAME_SECTION_MM, SECTION_STEP_MM
from registry.actions.desk_screw import closes_a_ring
from registry.actions.desk_side import side_faults
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.problems import BadInputError, Fault
from registry.domain.readings import Method
from registry.domain.scales import greatest_extent
from registry.measure.uncertainty import near_cut_off

if TYPE_CHECKING:
    from collections.abc import Mapping

    from registry.actions.desk_marks import Marks
    from registry.actions.desk_screw import OpenedScrew
    from registry.domain.readings import Confidence, NotAssessableReason
    from registry.domain.settings import Settings

LONGEST_NOTE = 2000
LONGEST_SECONDS = 24 * 3600
_SLACK_MM = SAME_SECTION_MM + 0.002
"""Depths travel in thousandths of a millimetre."""


@dataclass(frozen=True)
class Shown:
    """What was on screen.

    Attributes
    ----------
    depths_mm : of the sections that were in focus
    planes : other planes, such as `medial` and `cranial` along the axis
    """

    depths_mm: tuple[float, ...] = ()
    planes: frozenset[str] = frozenset()


@dataclass(frozen=True)
class TypedExtents:
    """Extents read elsewhere, as typed: whole tenths, a direction left out was not measured."""

    extents_mm: Mapping[Direction, Decimal] = field(default_factory=dict)
    uncertainty_mm: Decimal | None = None


@dataclass(frozen=True)
class Submission:
    """What the reader answers.

    Attributes
    ----------
    way : how it was read; None where the screw is not assessable
    marks : what was set on the pictures; needed by the contour, the calliper and by eye
    typed : for `typed`
    shown : what was on screen; by eye needs it
    not_assessable : why it cannot be read, else None
    confidence : the reader's own; needed unless not assessable
    note : in the reader's words
    seconds_spent : at this screw
    window_hu : darkest and brightest value of the pictures when it was saved
    side_confirmed : the reader ticked that the screw is the asked one though it looks like the
        other side's
    axis_confirmed : and though another screw was read at the same place
    """

    way: Method | None
    marks: Marks | None = None
    typed: TypedExtents = field(default_factory=TypedExtents)
    shown: Shown = field(default_factory=Shown)
    not_assessable: NotAssessableReason | None = None
    confidence: Confidence | None = None
    note: str = ""
    seconds_spent: int | None = None
    window_hu: tuple[int, int] | None = None
    side_confirmed: bool = False
    axis_confirmed: bool = False


@dataclass(frozen=True)
class Answer:
    """What is stored of it, and what the rule for second readings asks.

    Attributes
    ----------
    extents : stored tenths by direction; a direction left out, or None, was not measured
    columns : of the reading besides: uncertainties, bearing, angles
    is_near_cut_off : of one of the unit's own
    measured : what the marks came to, None where nothing was measured on them
    """

    extents: dict[Direction, Decimal | None] = field(default_factory=dict)
    columns: dict[str, Any] = field(default_factory=dict)
    is_near_cut_off: bool = False
    measured: Measured | None = None


def answer_of(screw: OpenedScrew, submission: Submission, settings: Settings) -> Answer:
    """Return what is to be stored; BadInputError with everything that is missing or wrong."""
    faults = list(_general_faults(submission))
    answer = Answer()
    try:
        answer = _by_way(screw, submission, settings)
    except BadInputError as problem:
        faults.extend(problem.faults)
    if faults:
        raise BadInputError(*faults)
    return answer


def _general_faults(submission: Submission) -> list[Fault]:
    faults = []
    if submission.way is not None and submission.confidence is None:
        faults.append(Fault("not said", "confidence", "choose high, moderate or low"))
    if len(submission.note) > LONGEST_NOTE:
        faults.append(Fault(f"longer than {LONGEST_NOTE} characters", "note", "shorten it"))
    is_without = submission.way in {Method.BY_EYE, Method.TYPED} or (
        submission.way is None and submission.not_assessable is not None
    )
    if is_without and _has_marks(submission.marks):
        faults.append(
            Fault(
                "marks stand on this screw",
                "marks",
                "remove them, or read by the contour or the calliper",
            )
        )
    spent = submission.seconds_spent
    if spent is not None and not 0 <= spent <= LONGEST_SECONDS:
        faults.append(Fault(f"{spent} seconds at one screw", "time spent", "reload the page"))
    return faults


def _has_marks(marks: Marks | None) -> bool:
    return marks is not None and bool(marks.bones or marks.callipers or marks.front)


def _by_way(screw: OpenedScrew, submission: Submission, settings: Settings) -> Answer:
    if submission.not_assessable is not None:
        if submission.way is not None:
            raise BadInputError(
                Fault("not assessable, and read all the same", "way", "choose one of them")
            )
        return Answer()
    if submission.way is None:
        raise BadInputError(Fault("not said", "way", "choose how the screw was read"))
    if submission.way is Method.TYPED:
        return _typed(submission.typed, settings)
    if submission.marks is None:
        raise BadInputError(Fault("not set", "screw axis", "find the screw first"))
    faults = side_faults(screw, submission.marks.placing, is_confirmed=submission.side_confirmed)
    try:
        answer = _on_pictures(screw, submission.way, submission.marks, submission.shown, settings)
    except BadInputError as problem:
        raise BadInputError(*faults, *problem.faults) from None
    if faults:
        raise BadInputError(*faults)
    return answer


def _on_pictures(
    screw: OpenedScrew, way: Method, marks: Marks, shown: Shown, settings: Settings
) -> Answer:
    if way is Method.BY_EYE:
        return _by_eye(screw, marks, shown)
    return _measured(measure_marks(screw, marks, way, settings))


def _by_eye(screw: OpenedScrew, marks: Marks, shown: Shown) -> Answer:
    left = unseen(marks.placing.axis.length_mm, shown)
    if left:
        raise BadInputError(*left)
    walls = (
        PEDICLE_WALLS
        if closes_a_ring(screw.level)
        else tuple(wall for wall in PEDICLE_WALLS if wall in screw.level.needed_walls)
    )
    # As contained screws are mostly read so, their angles have to count with the others'.
    angles = angles_of(marks.placing)
    columns = {
        "convergence_deg": angles.convergence_deg,
        "sagittal_deg": angles.sagittal_deg,
    }
    return Answer({wall: Decimal("0.0") for wall in walls}, columns)


def unseen(length_mm: float, shown: Shown) -> list[Fault]:
    """Return what has to be on screen yet before a screw can be called contained by eye.

    Every stretch of a millimetre from entry to tip needs a section at both its ends.
    """
    faults = []
    depths = [0.0 - SECTION_STEP_MM, *sorted(shown.depths_mm), length_mm + SECTION_STEP_MM]
    within = [depth for depth in depths if -SECTION_STEP_MM <= depth <= length_mm + SECTION_STEP_MM]
    gaps = [
        (low, high) for low, high in pairwise(within) if high - low > SECTION_STEP_MM + _SLACK_MM
    ]
    if gaps:
        where = ", ".join(
            f"{max(low, 0.0):.0f} to {min(high, length_mm):.0f} mm" for low, high in gaps[:5]
        )
        faults.append(
            Fault(
                f"sections from {where} have not been on screen",
                "contained by eye",
                "scroll through every section from entry to tip",
            )
        )
    if not shown.planes & {"medial", "cranial"}:
        faults.append(
            Fault(
                "no plane along the axis has been on screen",
                "contained by eye",
                "look at one along the axis",
            )
        )
    return faults


def _typed(typed: TypedExtents, settings: Settings) -> Answer:
    if not typed.extents_mm:
        raise BadInputError(
            Fault("no extent is given", "typed", "type at least one, 0 where contained")
        )
    extents: dict[Direction, Decimal | None] = {
        wall: typed.extents_mm.get(wall) for wall in Direction
    }
    sd = typed.uncertainty_mm
    columns: dict[str, Any] = {}
    if sd is not None:
        columns = {f"{wall}_sd_mm": sd for wall in typed.extents_mm}
    top = greatest_extent(extents)
    is_near = top is not None and sd is not None and _is_near(top, sd, settings)
    return Answer(extents, columns, is_near)


def _is_near(extent_mm: Decimal, sd_mm: Decimal, settings: Settings) -> bool:
    cut_offs = [float(cut_off) for cut_off in settings.cut_offs_mm]
    return near_cut_off(float(extent_mm), float(sd_mm), cut_offs, float(settings.near_share))


def _measured(measured: Measured) -> Answer:
    faults = (*measured.faults, *measured.unfinished)
    if faults:
        raise BadInputError(*faults)
    if not measured.extents:
        raise BadInputError(
            Fault("nothing is measured", "marks", "mark the cortex, or choose another way")
        )
    columns: dict[str, Any] = {
        f"{wall}_sd_mm": extent.sd_mm for wall, extent in measured.extents.items()
    }
    columns["bearing_deg"] = measured.bearing_deg
    columns["convergence_deg"] = measured.convergence_deg
    columns["sagittal_deg"] = measured.sagittal_deg
    return Answer(measured.stored(), columns, measured.is_near_cut_off, measured)
