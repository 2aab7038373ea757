"""How far to trust a proposal: what came of drawn scans whose truth is known.

The figures of `tests/long/test_proposals_on_drawings.py`, which says whether they still hold. A
drawn scan is no patient's: on real ones errors can be larger.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Trust:
    """What came of one kind of drawn scans.

    Attributes
    ----------
    kind : of scans, in words
    drawn, found : screws
    tip_mm : within which 95% of the found tips lie
    breached_mm : mean error of the pedicle walls that were drawn breached
    graded, same_grade : screws with a proposed grade, and those whose grade is the drawn one
    missed : screws that stand 2 mm or more outside and were proposed under 1 mm
    """

    kind: str
    drawn: int
    found: int
    tip_mm: float
    breached_mm: float
    graded: int
    same_grade: int
    missed: int


TRUST = (
    Trust("varied in everything", 64, 64, 0.4, 0.4, 51, 47, 0),
    Trust("noise of three times the usual", 22, 22, 0.6, 1.0, 19, 15, 0),
    Trust("slices of 0.6 mm", 22, 22, 0.5, 0.6, 21, 21, 0),
    Trust("slices of 2 mm", 22, 22, 0.5, 0.9, 21, 20, 0),
    Trust("slices of 3 mm", 22, 22, 0.5, 1.6, 16, 13, 0),
    Trust("cobalt-chrome screws and rods", 22, 22, 0.5, 1.1, 15, 14, 0),
    Trust("low-density bone", 22, 22, 0.6, 1.0, 18, 16, 0),
    Trust("other anatomy, and blurred as a scanner blurs", 26, 25, 0.5, 0.6, 23, 19, 0),
)
