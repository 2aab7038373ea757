"""A screw's axis found from its metal, on drawn volumes whose axis is known."""

from __future__ import annotations

import numpy as np
import pytest

from registry.domain.problems import BadInputError
from registry.measure.metal import shank_near
from tests.measure.metal_phantom import metal_phantom, turned

CASES = {
    "straight": ((0, 0), {}),
    "titanium with grain": ((-25, -15), {"metal_hu": 2500.0, "noise_hu": 40.0}),
    "steel beyond the usual range": ((30, 20), {"metal_hu": 12000.0}),
    "thin and short": ((10, -25), {"radius": 2.25, "length": 30.0}),
    "steep in a tilted scan": ((40, 30), {"turn": 12.0}),
    "thick slices, no rod": ((-15, 5), {"has_rod": False, "voxel": (0.7, 0.7, 1.25)}),
}


@pytest.mark.parametrize("case", list(CASES))
def test_the_axis_is_found_to_a_third_of_a_millimetre_and_half_a_degree(case: str) -> None:
    angles, options = CASES[case]
    direction = turned(*angles)
    phantom = metal_phantom(direction, **options)
    radius = options.get("radius", 3.25)
    # The head is a ball of 6 mm about a point 5 mm behind the entry: it meets the shank here.
    meets = phantom.entry + (np.sqrt(36.0 - radius**2) - 5.0) * direction
    beside = np.cross(direction, (0.3, 0.5, 0.8))
    beside /= np.linalg.norm(beside)
    for share, off in ((0.5, 0.0), (0.8, 6.0)):
        pick = phantom.entry + share * (phantom.tip - phantom.entry) + off * beside
        found = shank_near(phantom.voxels, phantom.affine, pick)
        axis = found.axis
        angle = np.degrees(np.arccos(min(1.0, float(axis.direction @ direction))))
        assert angle < 0.5
        assert np.linalg.norm(axis.tip_mm - phantom.tip) < 0.3
        assert np.linalg.norm(axis.entry_mm - meets) < 0.4
        assert found.radius_mm == pytest.approx(radius, abs=0.3)


def test_where_no_metal_lies_it_is_said_with_what_lies_there() -> None:
    bone = np.full((40, 40, 40), 900, dtype=np.int16)
    with pytest.raises(BadInputError, match=r"no metal lies within 8 mm.*900 HU"):
        shank_near(bone, np.eye(4), (20.0, 20.0, 20.0))


def test_outside_the_scan_there_is_no_metal() -> None:
    with pytest.raises(BadInputError, match="no metal"):
        shank_near(np.zeros((9, 9, 9), dtype=np.int16), np.eye(4), (500.0, 0.0, 0.0))


def test_a_bead_is_no_shank() -> None:
    voxels = np.full((60, 60, 60), 200, dtype=np.int16)
    k, j, i = np.indices(voxels.shape)
    voxels[(i - 30) ** 2 + (j - 30) ** 2 + (k - 30) ** 2 < 16] = 3000
    with pytest.raises(BadInputError, match="no screw's shank"):
        shank_near(voxels, np.eye(4), (30.0, 30.0, 30.0))
