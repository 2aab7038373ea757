"""What a screw's metal adds beside itself is taken off, and the bone comes out as without it.

Metal and bone are drawn on a fine grid and blurred together by a Gaussian, which is linear: what
the sections read without the screw is known by construction. The phantom is invented.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import ndimage

from registry.measure.proposals.bared import without_own_metal
from registry.measure.proposals.straight import SPACING_MM, Straight, bloom_mm, tissue_of

RADIUS_MM, LENGTH_MM, BLUR_MM = 3.0, 40.0, 0.7
SOFT, MARROW, CORTEX, METAL = 50.0, 150.0, 1100.0, 6000.0
FINE, HALF = 5, 20.0
PEDICLE_MM, BESIDE_MM = 16.0, 1.5


@cache
def blurred(with_metal, *, is_pedicle):
    """Return one section, (81, 81): a ring of cortex around marrow, or marrow alone."""
    ticks = np.arange(-HALF, HALF + 1e-6, SPACING_MM / FINE)
    v, u = np.meshgrid(-ticks, ticks, indexing="ij")
    hu = np.full(u.shape, MARROW)
    if is_pedicle:
        # The screw stands nearer to the wall on the right.
        across, up = u + BESIDE_MM, v
        outer = np.hypot(across / 5.5, up / 8.0) < 1.0
        inner = np.hypot(across / 4.3, up / 6.8) < 1.0
        hu = np.where(inner, MARROW, np.where(outer, CORTEX, SOFT))
    if with_metal:
        hu = np.where(np.hypot(u, v) < RADIUS_MM, METAL, hu)
    return ndimage.gaussian_filter(hu, BLUR_MM * FINE / SPACING_MM)[::FINE, ::FINE]


def sections(with_metal):
    """Return a shank's sections, (k, 81, 81), and their depths."""
    depths = np.arange(-4.0, LENGTH_MM + 6.0)
    front, pedicle, body = (
        blurred(metal, is_pedicle=is_pedicle)
        for metal, is_pedicle in ((False, False), (with_metal, True), (with_metal, False))
    )
    values = [
        front if not 0.0 <= depth <= LENGTH_MM else pedicle if depth < PEDICLE_MM else body
        for depth in depths
    ]
    return depths, np.stack(values).astype(np.float32)


def straight(blur=(0.7, 0.7)):
    """Return sections as `straighten` gives them, the metal's neighbourhood hidden."""
    depths, values = sections(with_metal=True)
    bloom = bloom_mm(values, depths, RADIUS_MM, LENGTH_MM)
    radial = from_middle(values.shape[1])
    hidden = np.broadcast_to(radial < RADIUS_MM + max(bloom) + 0.35, values.shape)
    return Straight(depths, values, hidden, tissue_of(values, hidden), bloom, blur)


def from_middle(count):
    ticks = (np.arange(count) - (count - 1) / 2.0) * SPACING_MM
    return np.hypot(*np.meshgrid(ticks, ticks))


def test_the_bone_beside_a_screw_reads_as_it_would_without_the_screw():
    before = straight()
    after = without_own_metal(before, RADIUS_MM, LENGTH_MM)
    _, truth = sections(with_metal=False)
    in_pedicle = (before.depths_mm > 1.0) & (before.depths_mm < PEDICLE_MM - 1.0)
    shown = before.hidden & ~after.hidden & in_pedicle[:, None, None]
    away_mm = np.broadcast_to(from_middle(truth.shape[1]) - RADIUS_MM, truth.shape)
    beside = before.hidden & in_pedicle[:, None, None] & (away_mm > 0.0)
    # A good part of what was hidden beside the metal can be seen, none of it at its very edge.
    assert shown.sum() > 0.3 * beside.sum()
    assert 0.5 < away_mm[shown].min() < 1.7
    wrong = np.abs(after.values - truth)[shown]
    assert np.median(wrong) < 0.1 * (CORTEX - SOFT)
    assert np.percentile(wrong, 95) < 0.35 * (CORTEX - SOFT)
    assert np.median(wrong) < 0.3 * np.median(np.abs(before.values - truth)[shown])


def test_what_lies_farther_from_the_metal_stays_as_it_is():
    before = straight()
    after = without_own_metal(before, RADIUS_MM, LENGTH_MM)
    far = from_middle(before.values.shape[1]) > RADIUS_MM + 8.0
    assert np.array_equal(after.values[:, far], before.values[:, far])


@pytest.mark.parametrize("blur", [(0.7, 2.5), (3.0, 0.7)])
def test_thick_slices_stay_as_they_are(blur):
    before = straight(blur=blur)
    assert without_own_metal(before, RADIUS_MM, LENGTH_MM) is before


def test_without_metal_or_with_too_short_a_front_nothing_is_taken_off():
    before = straight()
    _, bare = sections(with_metal=False)
    empty = replace(before, values=bare)
    assert without_own_metal(empty, RADIUS_MM, LENGTH_MM) is empty
    assert without_own_metal(before, RADIUS_MM, 12.0) is before
