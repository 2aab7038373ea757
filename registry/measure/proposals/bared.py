"""Sections with a screw's own brightness taken off, so that more of the bone beside it shows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.proposals.own_metal import (
    FROM_MM,
    SECTORS,
    STEP_MM,
    TO_MM,
    edge_at,
    find_own_metal,
    from_axis,
)
from registry.measure.proposals.straight import METAL_HU, SPACING_MM

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray
    from registry.measure.proposals.own_metal import OwnMetal
    from registry.measure.proposals.straight import Straight
    from registry.measure.proposals.surfaces import Mask

EDGE_SD_MM = 0.1
"""How well the metal's edge is known; on drawings."""
MOST_WRONG, MOST_EXCESS = 0.25, 0.4
"""Shares of the contrast: by how much that may make a place too bright or too dark, and how much
may be taken off it, before it is hidden; set on drawings."""
FARTHEST_HIDDEN_MM = 4.0
OTHERS_FROM_MM = 1.2
"""Metal so far from the edge is another's: a head's, a rod's or another screw's."""
THICKEST_MM = 2.5
"""Slices thicker than this draw no edge sharp enough to be told; on drawings."""
_MOST_SHARE = 0.6


def without_own_metal(straight: Straight, radius_mm: float, length_mm: float) -> Straight:
    """Return the sections with the screw's own brightness taken off, and what stays hidden.

    Metal at a place takes the bone's room: what is left of the bone there is brought back to
    its full brightness. Sections in which the metal's edge is not told, and thick
    slices, stay as they are.
    """
    if max(straight.blur) >= THICKEST_MM:
        return straight
    own = find_own_metal(straight, radius_mm, length_mm)
    if own is None:
        return straight
    radial, turn = from_axis(straight.values.shape[1])
    near = radial < radius_mm + TO_MM + 1.0
    sector = turn[near] / np.pi * SECTORS % SECTORS
    reach = _reach_mm(own, straight.tissue.contrast_hu)
    least = np.interp(sector, np.arange(SECTORS + 1), np.append(reach, reach[0]))
    values, hidden = straight.values.copy(), straight.hidden.copy()
    for k in np.flatnonzero(np.isfinite(own.edge_mm).all(axis=1)):
        away = radial[near] - edge_at(own.edge_mm[k], turn[near])
        place = np.clip((away - FROM_MM) / STEP_MM, 0.0, own.excess_hu.shape[1] - 1.0)
        added = ndimage.map_coordinates(own.excess_hu, [sector, place], order=1, mode="grid-wrap")
        share = np.clip(added / max(own.core_hu, 1.0), 0.0, _MOST_SHARE)
        bare = (values[k][near] - added - share * straight.tissue.soft_hu) / (1.0 - share)
        others = straight.values[k] > METAL_HU
        others[near] &= away >= OTHERS_FROM_MM
        covered = _spread(others, straight)
        covered[near] |= away < least
        values[k][near] = np.where(away < TO_MM, bare, values[k][near])
        hidden[k] = covered
    return replace(straight, values=values, hidden=hidden)


def _reach_mm(own: OwnMetal, contrast_hu: float) -> FloatArray:
    """Return how far from the edge places are hidden, by direction, (SECTORS,)."""
    slope = np.abs(np.gradient(own.excess_hu, STEP_MM, axis=1))
    hides = slope * EDGE_SD_MM > MOST_WRONG * contrast_hu
    hides |= own.excess_hu > MOST_EXCESS * contrast_hu
    hides &= own.away_mm < FARTHEST_HIDDEN_MM
    last = hides.shape[1] - 1 - hides[:, ::-1].argmax(axis=1)
    return np.where(hides.any(axis=1), own.away_mm[last] + STEP_MM, 0.0)


def _spread(bright: Mask, straight: Straight) -> Mask:
    """Return other metal and as far as its brightness reaches."""
    across, up = (
        0.8 * (bloom + 0.5 * blur) + 0.2
        for bloom, blur in zip(straight.bloom_mm, straight.blur, strict=True)
    )
    cells = int(np.ceil(max(across, up) / SPACING_MM))
    ticks = np.arange(-cells, cells + 1) * SPACING_MM
    disc = np.hypot(ticks[:, None] / up, ticks / across) <= 1.0
    return np.asarray(ndimage.binary_dilation(bright, structure=disc))
