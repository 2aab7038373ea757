"""How each invented screw lies in its vertebra, and what a reader measures of it.

Means are invented, near the usual ranges of `registry.domain.usual_angles`: entry at the isthmus
needs less convergence than at the lateral intersection, and the cortical trajectory aims outwards
and upwards. Drawn apart from everything else, screw by screw, so that no other number moves.
"""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

from registry.domain.readings import Method
from registry.domain.techniques import EntryTechnique, Guidance

if TYPE_CHECKING:
    from .placements import Truth
    from .records import InventedReading, InventedScrew

_CONVERGENCE = {
    "C7": 34.0,
    **{f"T{number}": 28.0 - 2.5 * (number - 1) for number in range(1, 12)},
    "T12": 3.0,
    "L1": 5.0,
    "L2": 9.0,
    "L3": 12.0,
    "L4": 16.0,
    "L5": 21.0,
    "S1": 24.0,
}
_SAGITTAL = {
    "C7": 0.0,
    **{f"T{number}": -15.0 for number in range(1, 12)},
    "T12": -8.0,
    "L1": -4.0,
    **{f"L{number}": 0.0 for number in range(2, 6)},
    "S1": 12.0,
}
# Degrees by which an entry further in, or further out, turns the screw.
_TURNED = {
    EntryTechnique.ISTHMUS: -6.0,
    EntryTechnique.PERCUTANEOUS: 2.0,
    EntryTechnique.TRANSVERSE_PROCESS: 4.0,
    EntryTechnique.IN_OUT_IN: 8.0,
}
_CORTICAL = (-17.0, 21.0)
_SPREAD_DEG, _GUIDED_SPREAD_DEG, _READER_DEG = 4.0, 3.0, 1.5
_GUIDED = frozenset({Guidance.NAVIGATION, Guidance.ROBOT_ASSISTED, Guidance.PATIENT_SPECIFIC_GUIDE})
# A screw that leaves medially mostly converges too far, one that leaves laterally too little.
_BREACH_DEG_A_TENTH, _LARGEST_BREACH_DEG = 0.12, 5.0
_MIDPLANE_SET, _ENDPLATE_TOO = 0.7, 0.5


def measured_angles(truth: Truth, reading: InventedReading) -> tuple[int | None, int | None]:
    """Return tenths of a degree: convergence, sagittal angle; None where not measured.

    A reader who has the images measures convergence once the midplane is set, which not every
    reader does; extents that are only typed bring no angle.
    """
    case, screw = reading.case, reading.screw
    place = (case.reference, screw.level, screw.side)
    rng = Random(f"angles {place} {reading.reader} {reading.role} {reading.scan_on}")
    drawn, further = rng.random(), rng.random()
    if reading.not_assessable or reading.method is Method.TYPED or drawn >= _MIDPLANE_SET:
        return None, None
    found = [
        round(10 * (angle + rng.gauss(0, _READER_DEG)))
        for angle in _lie(Random(f"lie {place}"), truth, screw)
    ]
    return found[0], found[1] if further < _ENDPLATE_TOO else None


def _lie(rng: Random, truth: Truth, screw: InventedScrew) -> tuple[float, float]:
    """Return how a screw truly lies, degrees: convergence, sagittal angle."""
    if screw.technique is EntryTechnique.CORTICAL_BONE_TRAJECTORY and screw.level[0] == "L":
        means = _CORTICAL
    else:
        turned = _TURNED.get(screw.technique, 0.0)
        means = (_CONVERGENCE[screw.level] + turned, _SAGITTAL[screw.level])
    spread = _GUIDED_SPREAD_DEG if screw.guidance in _GUIDED else _SPREAD_DEG
    return (
        means[0] + rng.gauss(0, spread) + _pushed(truth["medial"] - truth["lateral"]),
        means[1] + rng.gauss(0, spread) + _pushed(truth["cranial"] - truth["caudal"]),
    )


def _pushed(tenths: int) -> float:
    return max(-_LARGEST_BREACH_DEG, min(_LARGEST_BREACH_DEG, _BREACH_DEG_A_TENTH * tenths))
