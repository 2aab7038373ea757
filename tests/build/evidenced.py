"""Readings on the desk's drawn images, one a way of reading, whose answers are known."""

from __future__ import annotations

from dataclasses import replace

from registry.actions.desk_answer import Shown, Submission
from registry.actions.desk_marks import Bone, Calliper, Marks
from registry.actions.desk_pictures import section_depths
from registry.domain.directions import Side
from registry.domain.readings import Confidence, Method, NotAssessableReason
from tests.build.desk import L3_LEFT, L4_LEFT, L4_RIGHT, LENGTH_MM, S1_LEFT, placed, ring_marks

WINDOW = (-450, 1050)
CONTOUR = Submission(Method.CONTOUR, ring_marks(-4.0), confidence=Confidence.HIGH, window_hu=WINDOW)
CONTAINED = replace(CONTOUR, marks=ring_marks(0.0), window_hu=(-1000, 6000))
CALLIPER = Submission(
    Method.CALLIPER,
    Marks(placed(Side.RIGHT), callipers=(Calliper(9.0, (1.0, 0.0), (3.25, 0.0)),)),
    confidence=Confidence.HIGH,
)
S1 = Submission(
    Method.CONTOUR,
    Marks(
        placed(),
        {
            Bone.MEDIAL: dict.fromkeys((4.0, 8.0), ((2.0, -4.0), (2.2, 0.0), (2.0, 4.0))),
            Bone.CAUDAL: dict.fromkeys((4.0, 8.0), ((-4.0, -6.0), (0.0, -6.2), (4.0, -6.0))),
        },
    ),
    confidence=Confidence.MODERATE,
    axis_confirmed=True,
)
BY_EYE = Submission(
    Method.BY_EYE,
    Marks(placed()),
    shown=Shown(section_depths(LENGTH_MM), frozenset({"cranial"})),
    confidence=Confidence.HIGH,
)
UNREADABLE = Submission(None, Marks(placed()), not_assessable=NotAssessableReason.ARTEFACT)
BREACHED = replace(CONTOUR, marks=ring_marks(-6.5))
"""Medial 4.75 mm."""
CONTAINED_LOW = replace(CONTAINED, confidence=Confidence.LOW)
WAYS = {
    "contour": (L4_LEFT, CONTOUR),
    "contained": (L4_LEFT, CONTAINED),
    "calliper": (L4_RIGHT, CALLIPER),
    "S1": (S1_LEFT, S1),
    "by eye": (L3_LEFT, BY_EYE),
    "not assessable": (L3_LEFT, UNREADABLE),
}
