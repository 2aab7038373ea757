"""Pedicles that should look like one another: the two of a vertebra."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from registry.measure.axes import unit
from registry.measure.proposals.carried import Like

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray
    from registry.measure.proposals.measuring import Look

OPPOSITE_SHIFT_SD_MM, OPPOSITE_SIZE_SD_MM = 0.8, 0.4
"""By how much the two pedicles of a vertebra differ, and what a midplane may be off; ours."""


def opposite(look: Look, other: Look) -> Like | None:
    """Return the other side's pedicle turned over the midplane, None where none is seen."""
    if look.seen is None or other.seen is None or look.midplane is None:
        return None
    normal = unit(look.midplane.normal)
    places = _in_patient(other)
    away = (places - np.asarray(look.midplane.point_mm)) @ normal
    turned = places - 2.0 * away[:, None] * normal
    return Like(_along(look, turned), OPPOSITE_SHIFT_SD_MM, OPPOSITE_SIZE_SD_MM)


def _in_patient(look: Look) -> FloatArray:
    """Return LPS of the places that are seen of a pedicle, (n, 3)."""
    frame = look.frame
    places = np.zeros((0, 3)) if look.seen is None else look.seen.places()
    directions = np.stack([frame.normal, frame.medial, frame.cranial])
    return np.asarray(frame.origin + places @ directions)


def _along(look: Look, places: FloatArray) -> FloatArray:
    """Return depth, u and v in a screw's sections of LPS places, (n, 3)."""
    frame = look.frame
    directions = np.stack([frame.normal, frame.medial, frame.cranial], axis=1)
    return np.asarray((places - frame.origin) @ directions)
