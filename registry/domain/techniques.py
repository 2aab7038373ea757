"""How a screw was put in: entry technique, guidance, intention, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from registry.domain.levels import LEVELS, Region


class EntryTechnique(StrEnum):
    """Where the pedicle was entered, by anatomy."""

    LATERAL_INTERSECTION = "lateral intersection"
    ISTHMUS = "isthmus"
    SUBFACET = "subfacet"
    SACRAL_FACET_CORNER = "sacral facet corner"
    CORTICAL_BONE_TRAJECTORY = "cortical bone trajectory"
    IN_OUT_IN = "in-out-in"
    PERCUTANEOUS = "percutaneous"
    TRANSVERSE_PROCESS = "transverse process"
    CERVICAL_PEDICLE = "cervical pedicle"
    S2_ALAR_ILIAC = "S2 alar-iliac"
    OTHER = "other"


@dataclass(frozen=True)
class TechniqueFacts:
    """What a technique's entry point is, and at which regions it exists."""

    landmark: str
    regions: frozenset[Region]


_ANY = frozenset(Region)
_THORACOLUMBAR = frozenset({Region.THORACIC, Region.LUMBAR, Region.SACRAL})

# common practice, no source
TECHNIQUES: dict[EntryTechnique, TechniqueFacts] = {
    EntryTechnique.LATERAL_INTERSECTION: TechniqueFacts(
        "on the transverse process's mid-height, at the outer edge of the superior articular "
        "process",
        frozenset({Region.LUMBAR}),
    ),
    EntryTechnique.ISTHMUS: TechniqueFacts(
        "more medial, on the pars at the foot of the superior articular process",
        frozenset({Region.LUMBAR}),
    ),
    EntryTechnique.SUBFACET: TechniqueFacts(
        "at the root of the transverse process, under the facet joint, about 3 mm outside its "
        "mid-line",
        frozenset({Region.THORACIC}),
    ),
    EntryTechnique.SACRAL_FACET_CORNER: TechniqueFacts(
        "at the lower outer corner of the sacral articular process", frozenset({Region.SACRAL})
    ),
    EntryTechnique.CORTICAL_BONE_TRAJECTORY: TechniqueFacts(
        "on the pars, aimed outwards and upwards", frozenset({Region.LUMBAR, Region.SACRAL})
    ),
    EntryTechnique.IN_OUT_IN: TechniqueFacts(
        "between rib and pedicle, out through the lateral wall and back into the body",
        frozenset({Region.THORACIC}),
    ),
    EntryTechnique.PERCUTANEOUS: TechniqueFacts("through the skin over a wire", _THORACOLUMBAR),
    EntryTechnique.TRANSVERSE_PROCESS: TechniqueFacts(
        "through the transverse process", frozenset({Region.THORACIC, Region.LUMBAR})
    ),
    EntryTechnique.CERVICAL_PEDICLE: TechniqueFacts(
        "on the lateral mass, towards the cervical pedicle", frozenset({Region.CERVICAL})
    ),
    EntryTechnique.S2_ALAR_ILIAC: TechniqueFacts(
        "between the first and second sacral foramina, towards the ilium",
        frozenset({Region.PELVIC}),
    ),
    EntryTechnique.OTHER: TechniqueFacts("as said in words", _ANY),
}


class Guidance(StrEnum):
    """What guided the screw."""

    FREEHAND = "freehand"
    FLUOROSCOPY = "fluoroscopy"
    NAVIGATION = "navigation"
    ROBOT_ASSISTED = "robot-assisted"
    PATIENT_SPECIFIC_GUIDE = "patient-specific guide"


class Life(StrEnum):
    """What became of a screw."""

    PLACED = "placed"
    REDIRECTED = "redirected"
    REMOVED = "removed"
    RETAINED = "retained"


COUNTED_LIVES = frozenset({Life.PLACED, Life.REDIRECTED})
"""Put in during this operation and in the patient at closure."""


class Intention(StrEnum):
    """An exit that was planned."""

    IN_OUT_IN = "in-out-in"
    BICORTICAL = "bicortical"


class CurveSide(StrEnum):
    """On which side of a curve a screw lies."""

    CONCAVE = "concave"
    CONVEX = "convex"


class Approach(StrEnum):
    """How the spine was reached."""

    OPEN = "open"
    PERCUTANEOUS = "percutaneous"


class NoScanReason(StrEnum):
    """Why a case has no post-operative CT."""

    NOT_DONE = "not done"
    DECLINED = "declined"
    ELSEWHERE = "elsewhere"
    DIED = "died"


def exists_at(technique: EntryTechnique, level_code: str) -> bool:
    """Return whether a technique exists at a level."""
    regions = TECHNIQUES[technique].regions
    return next(item.region for item in LEVELS if item.code == level_code) in regions
