"""The smoothest surface through what an image shows, as one number out of many at each place.

Semi-global matching: the cost of each number at each place is added up along straight paths
across the grid, with a penalty for every step from one number to the next, and each place takes
the number whose sum is least. Where the image shows nothing the neighbours decide.

References
----------
Hirschmüller H. Stereo processing by semiglobal matching and mutual information. IEEE Trans
Pattern Anal Mach Intell 2008;30(2):328-341. doi:10.1109/TPAMI.2007.1166 (from memory)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats: TypeAlias = NDArray[np.float32]
    Mask: TypeAlias = NDArray[np.bool_]

STEP_COSTS = (0.0, 0.05, 0.2, 0.45, 0.8)
"""Of a surface that moves by so many numbers from one place to the next; set on drawings."""
JUMP_COST = 1.3
"""Of any farther step."""
PASSED_AFTER_MM, PASSED_FROM, PASSING_COST = 1.0, 0.35, 1.2


def least_cost(cost: Floats, *, is_closed: tuple[bool, bool] = (False, False)) -> NDArray[np.intp]:
    """Return the surface's number at each place.

    Parameters
    ----------
    cost : (a, b, numbers), small where the image shows the surface
    is_closed : whether the last row (column) lies beside the first

    Returns
    -------
    (a, b), 0 to numbers - 1
    """
    total = -3.0 * cost
    for along in (0, 1):
        ordered = np.moveaxis(cost, along, 0)
        for step in (1, -1):
            swept = _swept(ordered[::step], is_closed=is_closed[along])[::step]
            total = total + np.moveaxis(swept, 0, along)
    number: NDArray[np.intp] = total.argmin(axis=-1)
    return number


def _swept(cost: Floats, *, is_closed: bool) -> Floats:
    """Return the costs added up along the first axis; a closed one is gone round twice."""
    sums = np.empty_like(cost)
    before = cost[0]
    if is_closed:
        for here in cost[1:]:
            before = here + _carried(before)
        before = cost[0] + _carried(before)
    sums[0] = before
    for place in range(1, len(cost)):
        before = cost[place] + _carried(before)
        sums[place] = before
    return sums


def _carried(before: Floats) -> Floats:
    """Return the least sum with which each number can be reached from the place before."""
    least = before.min(axis=-1, keepdims=True)
    found = np.minimum(before, least + np.float32(JUMP_COST))
    for step, price in enumerate(STEP_COSTS[1:], start=1):
        dear = before + np.float32(price)
        np.minimum(found[..., step:], dear[..., :-step], out=found[..., step:])
        np.minimum(found[..., :-step], dear[..., step:], out=found[..., :-step])
    carried: Floats = found - least
    return carried


def passing_cost(evidence: Floats, step_mm: float) -> Floats:
    """Return what it costs to look beyond a place that shows the surface well, same shape.

    The outside of a bone is the first such place met on the way out; what lies farther is some
    other bone's.
    """
    within = round(PASSED_AFTER_MM / step_mm)
    # A surface shows at neighbouring places, too; grain and trabeculae do not.
    shared = ndimage.gaussian_filter(evidence, (1.2, 1.2, 0.0))
    highest = np.maximum.accumulate(shared, axis=-1)
    found: Floats = np.zeros_like(evidence)
    found[..., within:] = PASSING_COST * np.maximum(highest[..., :-within] - PASSED_FROM, 0.0)
    return found


def filled(values: Floats, hidden: Mask, sigma: Sequence[float]) -> Floats:
    """Return values smoothed by a Gaussian to which hidden ones add nothing.

    Deep inside what is hidden the nearest seen values spread without limit of distance only as
    far as the Gaussian reaches; beyond, 0 is returned, which no caller looks at.
    """
    seen = (~hidden).astype(np.float32)
    weighted = ndimage.gaussian_filter(values * seen, sigma)
    weight = np.maximum(ndimage.gaussian_filter(seen, sigma), 1e-3)
    result: Floats = np.asarray(weighted / weight, dtype=np.float32)
    return result


def fall_places(
    profiles: Floats, numbers: NDArray[np.intp], step_mm: float, first_mm: float
) -> NDArray[np.float64]:
    """Return where brightness falls half way from the bone's rim to what lies outside.

    Parameters
    ----------
    profiles : (a, b, numbers), values outwards
    numbers : (a, b), the surface, near the place that is looked for
    step_mm : from one number to the next
    first_mm : place of number 0

    Returns
    -------
    (a, b), mm; where no such fall is found, the surface's own place
    """
    inwards, outwards = round(2.0 / step_mm), round(1.75 / step_mm)
    window = np.arange(-inwards, outwards + 1)
    index = np.clip(numbers[..., None] + window, 0, profiles.shape[-1] - 1)
    near = np.take_along_axis(profiles, index, axis=-1)
    rim = near[..., : inwards + 3]
    peak_at = rim.argmax(axis=-1)
    half = (rim.max(axis=-1) + near[..., inwards + round(0.5 / step_mm) :].min(axis=-1)) / 2.0
    is_below = (near < half[..., None]) & (np.arange(len(window)) > peak_at[..., None])
    at = is_below.argmax(axis=-1)
    is_found = is_below.any(axis=-1) & (at > 0)
    before = np.maximum(at - 1, 0)
    high = np.take_along_axis(near, before[..., None], axis=-1)[..., 0]
    low = np.take_along_axis(near, at[..., None], axis=-1)[..., 0]
    share = np.clip((high - half) / np.maximum(high - low, 1e-6), 0.0, 1.0)
    start = np.take_along_axis(index, before[..., None], axis=-1)[..., 0]
    place = np.where(is_found, start + share, numbers).astype(np.float64)
    result: NDArray[np.float64] = first_mm + step_mm * place
    return result
