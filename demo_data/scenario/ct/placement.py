"""Where the invented patient's screws were placed: planned offsets from each pedicle's axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from .levels import SIDE_SIGN, Frame, LevelShape, Vector
from .solids import Coordinates, Field, coordinates_of

if TYPE_CHECKING:
    from .vertebra import PedicleAxis, Vertebra


@dataclass(frozen=True)
class ScrewPlan:
    """One screw as the invented theatre log has it, with its offset at the isthmus.

    Offsets are millimetres from the pedicle's axis; `inwards_deg` and `upwards_deg` turn the
    screw's forward direction from that axis.
    """

    level: str
    side: str
    diameter_mm: float
    length_mm: float
    medial_mm: float
    cranial_mm: float
    inwards_deg: float
    upwards_deg: float
    entry_technique: str
    guidance: str


@dataclass(frozen=True)
class PlacedScrew:
    """A plan with the entry and the tip it led to, LPS millimetres."""

    plan: ScrewPlan
    entry: Vector
    tip: Vector

    @property
    def forward(self) -> Vector:
        """Unit direction from entry to tip."""
        return np.asarray((self.tip - self.entry) / np.linalg.norm(self.tip - self.entry))


PLANS = (
    ScrewPlan("T11", "L", 5.5, 40.0, 0.2, 0.3, 1.0, -3.0, "subfacet", "freehand"),
    ScrewPlan("T11", "R", 5.5, 40.0, -0.1, -0.6, 0.0, -4.0, "subfacet", "freehand"),
    ScrewPlan("T12", "L", 6.0, 40.0, 0.1, -0.2, 1.0, -3.0, "subfacet", "freehand"),
    ScrewPlan("T12", "R", 6.0, 45.0, -3.65, -1.8, 9.0, 0.0, "subfacet", "freehand"),
    ScrewPlan("L1", "L", 6.0, 45.0, 3.3, -6.2, 2.0, 0.0, "lateral intersection", "fluoroscopy"),
    ScrewPlan("L1", "R", 6.0, 45.0, 0.0, 0.4, 0.0, 0.0, "lateral intersection", "fluoroscopy"),
    ScrewPlan("L2", "L", 6.0, 45.0, -0.2, -0.5, 1.0, 1.0, "lateral intersection", "fluoroscopy"),
    ScrewPlan("L2", "R", 6.0, 45.0, 6.6, 0.5, 1.0, 0.0, "isthmus", "fluoroscopy"),
    ScrewPlan("L3", "L", 6.5, 45.0, 0.0, 5.2, 0.0, -6.0, "lateral intersection", "fluoroscopy"),
    ScrewPlan("L3", "R", 6.5, 55.0, 0.2, 0.0, 1.0, 1.0, "lateral intersection", "fluoroscopy"),
    ScrewPlan("L4", "L", 7.0, 50.0, 0.3, 0.2, 0.0, 0.0, "lateral intersection", "fluoroscopy"),
    ScrewPlan("L4", "R", 6.5, 45.0, 0.2, -7.35, 0.0, 0.0, "isthmus", "fluoroscopy"),
)
_BACK_REACH_MM = 30.0
_MARCH_MM = 0.1


class HasPedicles(Protocol):
    """A bone with pedicles: a vertebra or a sacrum."""

    @property
    def shape(self) -> LevelShape:
        """Its sizes."""
        ...

    @property
    def frame(self) -> Frame:
        """Its own axes."""
        ...

    def pedicle_axis(self, side: str) -> PedicleAxis:
        """Return the axis of the pedicle on the patient's `side`, L or R."""
        ...

    def outer_distance(self, at: Coordinates) -> Field:
        """Return signed distances to the outer surface at points, negative in bone."""
        ...


def place(plan: ScrewPlan, vertebra: HasPedicles) -> PlacedScrew:
    """Return the screw: the entry is where its axis first meets bone, coming from behind.

    An axis that meets none there, beside everything, starts where it comes nearest to it.
    """
    axis = vertebra.pedicle_axis(plan.side)
    size, sign = vertebra.shape, SIDE_SIGN[plan.side]
    angle = np.radians(size.pedicle(plan.side)[2] + plan.inwards_deg)
    rise = np.radians(plan.upwards_deg)
    forward = vertebra.frame.turned(
        (-sign * np.sin(angle) * np.cos(rise), -np.cos(angle) * np.cos(rise), np.sin(rise))
    )
    offset = vertebra.frame.turned((-sign * plan.medial_mm, 0.0, plan.cranial_mm))
    through = axis.isthmus + offset
    steps = np.arange(-_BACK_REACH_MM, 0.0, _MARCH_MM)
    distances = vertebra.outer_distance(coordinates_of(through + steps[:, np.newaxis] * forward))
    is_bone = distances < 0
    first = int(np.argmax(is_bone) if is_bone.any() else np.argmin(distances))
    entry = through + steps[first] * forward
    return PlacedScrew(plan, entry, entry + plan.length_mm * forward)


def place_all(vertebrae: dict[str, Vertebra]) -> tuple[PlacedScrew, ...]:
    """Return every screw of the construct, cranial first, left before right."""
    return tuple(place(plan, vertebrae[plan.level]) for plan in PLANS)
