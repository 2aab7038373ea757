"""A screw's catalogued diameter, estimated from its metal."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from registry.measure.shank_ends import FittedShank

_THREAD_MM = 0.5
"""The catalogue measures over the thread's crest, the metal's area is of the mean; common
practice, no source."""
_SD_MM = 0.5


def estimated_diameter(fitted: FittedShank) -> tuple[float, float]:
    """Return a shank's catalogued diameter and its standard deviation, mm."""
    return 2.0 * fitted.sections.shank_mm + _THREAD_MM, _SD_MM
