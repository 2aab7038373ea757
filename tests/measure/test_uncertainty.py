"""How sure an extent is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from registry.domain.directions import Direction, Side
from registry.measure.axes import ScrewAxis, section_frame
from registry.measure.cortex import fit_curve
from registry.measure.extents import WallExtent, pedicle_extents
from registry.measure.uncertainty import (
    calliper_uncertainty,
    extent_uncertainty,
    near_cut_off,
    voxel_term_mm,
)

AFFINE = np.diag([0.4, 0.4, 1.2, 1.0])
FRAME = section_frame(ScrewAxis((20, 0, 0), (20, -40, 0)), 5.0, Side.LEFT)


def test_thick_slices_make_cranial_extents_less_sure_than_medial() -> None:
    medial = extent_uncertainty(WallExtent(2.0, 2.0, 5.0, 0.0), FRAME, AFFINE)
    cranial = extent_uncertainty(WallExtent(2.0, 2.0, 5.0, 90.0), FRAME, AFFINE)
    assert medial.voxel_mm == pytest.approx(0.4 / np.sqrt(12))
    assert cranial.voxel_mm == pytest.approx(1.2 / np.sqrt(12))
    assert cranial.sd_mm > medial.sd_mm


def test_the_terms_add_as_squares() -> None:
    extent = WallExtent(2.0, 2.0, 5.0, 0.0, curve_sd_mm=0.5, residual_mm=0.2)
    known = extent_uncertainty(extent, FRAME, AFFINE, 0.3)
    unknown = extent_uncertainty(extent, FRAME, AFFINE, 0.3, is_diameter_known=False)
    expected = 0.4**2 / 12 + 0.2**2 + 0.3**2 + 0.5**2
    assert known.sd_mm == pytest.approx(np.sqrt(expected))
    assert unknown.sd_mm == pytest.approx(np.sqrt(expected + 0.4**2))


def test_a_turned_voxel_grid_changes_nothing_where_its_sizes_are_equal() -> None:
    c, s = np.cos(0.4), np.sin(0.4)
    turned = np.eye(4)
    turned[:3, :3] = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) * 0.7
    assert voxel_term_mm((1, 0, 0), turned) == pytest.approx(0.7 / np.sqrt(12))


def test_an_extent_beside_a_gap_is_less_sure_than_one_beside_marks() -> None:
    def sd(angles_deg: np.ndarray) -> float:
        angles = np.deg2rad(angles_deg)
        marks = np.column_stack([5 * np.cos(angles) - 4.0, 5 * np.sin(angles)])
        medial = pedicle_extents(3.0, {5.0: fit_curve(marks)}).by_wall[Direction.MEDIAL]
        assert medial.extent_mm == pytest.approx(2.0, abs=0.02)
        return extent_uncertainty(medial, FRAME, AFFINE).sd_mm

    seen, bridged = sd(np.arange(0, 360, 20.0)), sd(np.arange(50, 320, 18.0))
    assert bridged > seen + 0.1


def test_a_calliper_has_two_ends() -> None:
    found = calliper_uncertainty(0.0, FRAME, AFFINE, 0.3)
    assert found.sd_mm == pytest.approx(np.sqrt(0.4**2 / 12 + 2 * 0.3**2))


@given(extent=st.floats(0, 8), sd=st.floats(0.05, 2), share=st.floats(0.01, 0.45))
def test_near_a_cut_off_is_what_the_normal_distribution_says(
    extent: float, sd: float, share: float
) -> None:
    others = [
        norm.sf(cut, extent, sd) if extent < cut else norm.cdf(cut, extent, sd) for cut in (2, 4)
    ]
    if all(abs(other - share) > 1e-9 for other in others):
        assert near_cut_off(extent, sd, (2.0, 4.0), share) == (max(others) > share)


def test_an_exact_extent_is_near_nothing() -> None:
    assert not near_cut_off(2.0, 0.0)
