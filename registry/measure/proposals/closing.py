"""The closed curves about a screw's pedicle: through what is seen, and carried where it is not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from registry.domain.problems import BadInputError
from registry.measure.cortex import fit_curve
from registry.measure.proposals.carried import fit_tube

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from registry.measure.axes import FloatArray
    from registry.measure.cortex import ClosedCurve
    from registry.measure.proposals.carried import Like, Tube
    from registry.measure.proposals.pedicle import SeenCortex
    from registry.measure.proposals.surfaces import Mask

CLOSED_FROM = 0.9
"""Share of what is not hidden in which the cortex has to be seen for a section to be closed."""
ROUGHEST_MM = 0.6
"""Root mean square distance of the places from their curve, beyond which none closes; ours."""
LEAST_SEEN = 10
LEAST_SECTIONS = 3
FAR_MM = 1.2
"""A wall is carried through where no place is seen so near."""
CARRIED_SD_MM = 0.35
"""Of a carried place, beside what the tube says of itself; on drawings."""
_TURNS = 128


def closed_curves(
    seen: SeenCortex, likes: Sequence[Like] = ()
) -> tuple[dict[float, ClosedCurve], dict[float, FloatArray]]:
    """Return the sections in which the bone closes: their curves, and the places seen in each.

    Parameters
    ----------
    seen : SeenCortex
    likes : other pedicles that should look like this one
    """
    marks = _marks(seen)
    if len(marks) < LEAST_SECTIONS:
        return {}, {}
    low, high = min(marks) - 0.1, max(marks) + 0.1
    places = seen.places()
    places = places[(places[:, 0] > low) & (places[:, 0] < high)]
    tube = fit_tube(places, likes, seen.slope)
    curves: dict[float, ClosedCurve] = {}
    for depth, own in marks.items():
        # A pedicle changes little in a millimetre: its neighbours steady a section's curve.
        beside = [marks[other] for other in marks if 0.0 < abs(other - depth) < 1.5]  # noqa: PLR2004
        curve = _curve(np.concatenate([own, *beside]), tube, depth)
        if curve is not None:
            curves[depth] = curve
    return curves, {depth: marks[depth] for depth in curves}


def _marks(seen: SeenCortex) -> dict[float, FloatArray]:
    """Return the places seen in each section from the entry on in which the bone closes."""
    closed = _longest_closed((seen.closed_share >= CLOSED_FROM) & ~seen.is_in_body)
    found = {float(seen.depths_mm[k]): seen.points_mm[k][seen.is_seen[k]] for k in closed}
    return {
        depth: places
        for depth, places in found.items()
        if depth >= 0.0 and len(places) >= LEAST_SEEN
    }


def _curve(marks: FloatArray, tube: Tube, depth: float) -> ClosedCurve | None:
    """Return the curve through marks and, where there are none, through the tube."""
    places, sd = tube.places(depth, _TURNS)
    is_far = cKDTree(marks).query(places)[0] > FAR_MM
    try:
        curve = fit_curve(np.concatenate([marks, places[is_far]]))
    except BadInputError:
        return None
    inside = places - curve.centre
    turns = np.arctan2(inside[:, 1], inside[:, 0])
    carried = np.where(is_far, np.hypot(sd, CARRIED_SD_MM), 0.0)
    full = np.linspace(0.0, 2.0 * np.pi, len(curve.sd_mm), endpoint=False)
    spread = np.interp(full, turns % (2.0 * np.pi), carried, period=2.0 * np.pi)
    near, _ = curve.nearest_points(marks)
    residual = float(np.sqrt(np.mean(((marks - near) ** 2).sum(axis=1))))
    if residual > ROUGHEST_MM:
        return None
    return replace(curve, sd_mm=np.hypot(curve.sd_mm, spread), residual_mm=residual)


def _longest_closed(is_closed: Mask) -> list[int]:
    labels, count = ndimage.label(is_closed)
    if count == 0:
        return []
    sizes = np.bincount(labels.ravel())[1:]
    return [int(k) for k in np.flatnonzero(labels == 1 + int(sizes.argmax()))]


def thinned(
    marks: Mapping[float, FloatArray], most: int
) -> dict[float, tuple[tuple[float, float], ...]]:
    """Return at most so many marks a section, evenly taken, to a hundredth of a millimetre."""
    found = {}
    for depth, places in marks.items():
        every = places[:: max(1, -(-len(places) // most))]
        found[depth] = tuple((round(float(u), 2), round(float(v), 2)) for u, v in every)
    return found
