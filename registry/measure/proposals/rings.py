"""Where a pedicle runs beside or around a screw: the stretch in which bone closes in a ring.

Ellipses of many sizes are laid about many centres in every section; each is worth the share of
its outline on which brightness falls outwards as it does at cortex. A place that metal hides is
worth a little less than half, so that a ring is never made of what is not seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from registry.measure.proposals.straight import SPACING_MM
from registry.measure.proposals.surfaces import filled

if TYPE_CHECKING:
    from registry.measure.axes import FloatArray
    from registry.measure.proposals.straight import Straight
    from registry.measure.proposals.surfaces import Floats

HIDDEN_WORTH = 0.4
STRETCH_MM = 7
"""A pedicle is looked for as so many sections, one a millimetre, with a ring in each."""
DEEPEST_MM = 40.0
LEAST_SEEN = 12
_TURNS = 32
_ACROSS = np.arange(-12.0, 12.1, 1.5)
_UP = np.arange(-9.0, 9.1, 1.5)
_SIZES = tuple(
    (float(wide), float(high))
    for wide in np.arange(2.5, 11.1, 1.0)
    for high in np.arange(3.5, 11.1, 1.0)
    if 0.6 * wide <= high <= 2.6 * wide
)
_FULL_FALL = 0.38
"""Share of the contrast by which brightness falls in a millimetre at a blurred cortex."""
_GAP_COST, _GAP_SLACK_MM = 0.05, 0.5
_FARTHER_COSTS = 0.008
_NEAR_MM = 3.5
_DEEPER_PAYS = 0.002
_STEEPEST = 0.35


@dataclass(frozen=True)
class PedicleCourse:
    """The course of a pedicle in a screw's section coordinates.

    Attributes
    ----------
    first, last : numbers of the first and last section of the stretch that was found
    middle_mm : its middle depth
    centre_mm : (u, v) there
    slope : (u, v) gained with every mm of depth
    half_sizes_mm : medial and cranial, of the ring that fits best
    worth : 0 to 1, the mean share of the rings that shows bone
    """

    first: int
    last: int
    middle_mm: float
    centre_mm: tuple[float, float]
    slope: tuple[float, float]
    half_sizes_mm: tuple[float, float]
    worth: float

    def centres(self, depths_mm: FloatArray) -> FloatArray:
        """Return the course's place at each depth, (n, 2)."""
        away = (depths_mm - self.middle_mm)[:, None]
        return np.asarray(np.asarray(self.centre_mm) + away * np.asarray(self.slope))


def find_course(straight: Straight, radius_mm: float, length_mm: float) -> PedicleCourse | None:
    """Return the pedicle's course, None where no stretch of sections could hold one."""
    worth, size = _worths(straight, radius_mm)
    apart = np.hypot(_ACROSS[:, None], _UP)
    scored = worth - _FARTHER_COSTS * np.maximum(0.0, apart - radius_mm - _NEAR_MM)
    near = ndimage.maximum_filter(scored, size=(1, 3, 3))
    depths = straight.depths_mm
    stretches = np.lib.stride_tricks.sliding_window_view(near, STRETCH_MM, axis=0).mean(axis=-1)
    starts = depths[: len(stretches)]
    is_allowed = (starts >= 0.0) & (starts + STRETCH_MM - 1 <= min(length_mm, DEEPEST_MM))
    if not is_allowed.any():
        return None
    stretches = stretches + _DEEPER_PAYS * starts[:, None, None]
    stretches[~is_allowed] = -np.inf
    first, i, j = (int(n) for n in np.unravel_index(int(stretches.argmax()), stretches.shape))
    last = first + STRETCH_MM - 1
    centre, slope = _line(worth[first : last + 1], depths[first : last + 1], i, j)
    middle = first + STRETCH_MM // 2
    return PedicleCourse(
        first,
        last,
        float(depths[first : last + 1].mean()),
        centre,
        slope,
        _SIZES[size[middle, i, j]],
        float(near[first : last + 1, i, j].mean()),
    )


@cache
def _outlines() -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Return each size's outline and outward normals, (turns, 2) and (turns,) twice."""
    turns = np.linspace(0.0, 2.0 * np.pi, _TURNS, endpoint=False)
    found = []
    for wide, high in _SIZES:
        normal = np.stack([np.cos(turns) / wide, np.sin(turns) / high])
        normal /= np.linalg.norm(normal, axis=0)
        outline = np.stack([wide * np.cos(turns), high * np.sin(turns)], axis=-1)
        found.append((outline, normal[0], normal[1]))
    return found


def _worths(
    straight: Straight, radius_mm: float
) -> tuple[Floats, np.ndarray[tuple[int, ...], np.dtype[np.intp]]]:
    """Return the worth of the best ring about each centre, (k, i, j), and its size's number."""
    full = straight.tissue.contrast_hu * _FULL_FALL
    smooth = filled(straight.clipped(), straight.hidden, (1.5, 1.2, 1.2))
    # Thick slices draw an edge flatter; what is expected of it is less by as much.
    wide, high = (max(1.0, width) for width in straight.blur)
    up = -np.gradient(smooth, SPACING_MM, axis=1) / np.float32(full / high)
    across = np.gradient(smooth, SPACING_MM, axis=2) / np.float32(full / wide)
    hidden = ndimage.binary_dilation(straight.hidden, structure=np.ones((1, 3, 3), dtype=bool))
    count, side = smooth.shape[0], smooth.shape[1]
    flat = [each.reshape(count, -1) for each in (across, up, hidden)]
    centres = np.stack(np.meshgrid(_ACROSS, _UP, indexing="ij"), axis=-1).reshape(-1, 1, 2)
    worth = np.full((count, len(centres)), -1.0, dtype=np.float32)
    size = np.zeros(worth.shape, dtype=np.intp)
    for number, (outline, normal_u, normal_v) in enumerate(_outlines()):
        points = centres + outline
        column = np.rint(straight.middle + points[..., 0] / SPACING_MM).astype(np.intp)
        row = np.rint(straight.middle - points[..., 1] / SPACING_MM).astype(np.intp)
        place = row.clip(0, side - 1) * side + column.clip(0, side - 1)
        # A ring that the screw does not even touch is some other bone's, a rib's as a rule.
        gap = np.hypot(points[..., 0], points[..., 1]).min(axis=1) - radius_mm
        aloof = _GAP_COST * np.maximum(
            0.0, np.where(_holds(centres, outline), 0.0, gap) - _GAP_SLACK_MM
        )
        for k in range(count):
            fall = -(flat[0][k].take(place) * normal_u + flat[1][k].take(place) * normal_v)
            is_hidden = flat[2][k].take(place)
            each = np.where(is_hidden, HIDDEN_WORTH, np.clip(fall, -0.5, 1.0)).mean(axis=1)
            each -= aloof
            each[_TURNS - is_hidden.sum(axis=1) < LEAST_SEEN] = -1.0
            is_better = each > worth[k]
            worth[k, is_better], size[k, is_better] = each[is_better], number
    shape = (count, len(_ACROSS), len(_UP))
    return worth.reshape(shape), size.reshape(shape)


def _holds(
    centres: FloatArray, outline: FloatArray
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return of each centre whether the ring about it holds the screw's axis, (centres,)."""
    wide, high = outline.max(axis=0)
    return np.asarray(np.hypot(centres[:, 0, 0] / wide, centres[:, 0, 1] / high) <= 1.0)


def _line(
    worth: Floats, depths: FloatArray, i: int, j: int
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the straight course through the best centres near a place: its middle and slope."""
    window = np.s_[:, max(0, i - 2) : i + 3, max(0, j - 2) : j + 3]
    near = worth[window]
    weight = np.maximum(near - near.max(axis=(1, 2), keepdims=True) + 0.12, 0.0)
    weight /= weight.sum(axis=(1, 2), keepdims=True)
    across = (weight * _ACROSS[window[1], None]).sum(axis=(1, 2))
    up = (weight * _UP[window[2]]).sum(axis=(1, 2))
    design = np.column_stack([np.ones(len(depths)), depths - depths.mean()])
    (u, v), (slope_u, slope_v) = np.linalg.lstsq(design, np.column_stack([across, up]))[0]
    slope = (
        float(np.clip(slope_u, -_STEEPEST, _STEEPEST)),
        float(np.clip(slope_v, -_STEEPEST, _STEEPEST)),
    )
    return (float(u), float(v)), slope
