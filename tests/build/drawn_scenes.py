"""Scenes of the drawn CT, drawn once a session however many tests look at them."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from demo_data.scenario.ct.varied.chance import random_scene
from demo_data.scenario.ct.varied.drawing import draw_scene
from registry.domain.directions import Side
from registry.measure.proposals.records import LoggedScrew

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from demo_data.scenario.ct.varied.drawing import TrueScrew


@lru_cache(maxsize=4)
def a_scene(
    seed: int, **fixed: object
) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.float64], tuple[TrueScrew, ...]]:
    """Return voxels [k, j, i], the affine from (i, j, k, 1) to LPS, and the truth.

    What is `fixed` must be hashable here; `random_scene` says what may be.
    """
    voxels, affine, truth = draw_scene(random_scene(seed, **fixed))
    voxels.flags.writeable = affine.flags.writeable = False
    return voxels, affine, truth


def quick(seed: int, **fixed: object):
    """Return a scene of two lumbar levels on coarse voxels: drawn in about a second."""
    coarse = {"operated": ("L3", "L4"), "in_plane_mm": 0.65, "slice_mm": 1.5, "margin_mm": 12.0}
    return a_scene(seed, **(coarse | fixed))


def the_log(truth: tuple[TrueScrew, ...]) -> tuple[LoggedScrew, ...]:
    """Return the screws that the theatre log has, the ones missing from the scan included."""
    return tuple(
        LoggedScrew(screw.level, Side(screw.side), screw.number, screw.diameter_mm, screw.length_mm)
        for screw in truth
        if screw.is_logged
    )
