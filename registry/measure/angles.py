"""A screw's angles against its own vertebra.

Both are angles between a line and a plane, so turning the patient changes neither.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from registry.measure.axes import unit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from registry.measure.axes import Midplane, ScrewAxis


def convergence_deg(axis: ScrewAxis, midplane: Midplane | None) -> float | None:
    """Return the angle between axis and midplane, or None without one.

    Positive when the tip is nearer the midplane than the entry: asin(d . m), with m the
    midplane's normal that leads from the entry to it. On an axial picture of a screw that also
    points up or down the angle looks larger, by 2 degrees at 25 convergent and 20 caudal.

    Examples
    --------
    >>> from registry.measure.axes import Midplane, ScrewAxis
    >>> axis = ScrewAxis((-20.0, 0.0, 0.0), (-10.0, -17.3205, 0.0))
    >>> round(convergence_deg(axis, Midplane((0.0, 0.0, 0.0), (1.0, 0.0, 0.0))), 2)
    30.0
    """
    if midplane is None:
        return None
    towards = midplane.towards(axis.entry_mm, side=None)
    return math.degrees(math.asin(float(np.clip(axis.direction @ towards, -1.0, 1.0))))


def sagittal_deg(axis: ScrewAxis, endplate_normal: ArrayLike | None) -> float | None:
    """Return the angle between axis and the vertebra's own upper endplate, or None without one.

    Positive when the tip is cranial: asin(d . n), with n the endplate's normal (given either way)
    that has positive z.

    Parameters
    ----------
    axis : ScrewAxis
    endplate_normal : (3,), LPS, or None
    """
    if endplate_normal is None:
        return None
    normal = unit(endplate_normal)
    upwards = normal if normal[2] >= 0.0 else -normal
    return math.degrees(math.asin(float(np.clip(axis.direction @ upwards, -1.0, 1.0))))
