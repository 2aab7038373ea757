"""A screw's catalogued diameter, estimated from its metal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from registry.measure.shank_ends import FittedShank

_THREAD_MM = 0.55
"""The catalogue measures over the thread's crest, the metal's area is of the mean; common
practice, no source."""
_SD_MM, _CUT_OFF_SD_MM = 0.4, 0.6
_STREAKED_SHAPE = 0.65
_STREAK_MM, _STREAK_SD_MM = 0.8, 1.0
"""Heavy metal's streaks broaden a section in one direction; ours."""


def estimated_diameter(fitted: FittedShank) -> tuple[float, float]:
    """Return a shank's catalogued diameter and its standard deviation, mm."""
    diameter = 2.0 * fitted.sections.shank_mm + _THREAD_MM
    if is_streaked(fitted):
        return diameter - _STREAK_MM, _STREAK_SD_MM
    return diameter, _CUT_OFF_SD_MM if fitted.is_cut_off else _SD_MM


def is_streaked(fitted: FittedShank) -> bool:
    """Return whether streaks broaden a shank's sections in one direction."""
    sections = fitted.sections
    return float(np.median(sections.shapes[sections.narrow()])) < _STREAKED_SHAPE
