"""On which side a screw was found, by the midplane or by the metal of both sides.

In LPS the patient's left is +x (DICOM PS3.3 C.7.6.2.1.1).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from registry.actions.desk_screw import OpenedScrew, Placing
from registry.actions.desk_side import metal_middle_mm, side_doubt
from registry.domain.directions import Side
from registry.domain.levels import level
from registry.measure.axes import ScrewAxis
from registry.store.images import Image
from tests.build.desk import FROM_MIDDLE_MM, METAL_HU, TISSUE_HU, placed, voxels_and_affine

ENTRY = (FROM_MIDDLE_MM, 10.0, 0.0)


def an_image(*, mirrored: bool = False, only: Side | None = None, off_mm: float = 0.0) -> Image:
    """Return the drawn scan: its columns the other way, one side's metal alone, moved to a side."""
    voxels, affine = voxels_and_affine()
    x = affine[0, 0] * np.arange(voxels.shape[2]) + affine[0, 3]
    if only is not None:
        voxels[:, :, x < 0 if only is Side.LEFT else x > 0] = TISSUE_HU
    if mirrored:
        voxels = voxels[:, :, ::-1]
        affine = affine @ np.array(
            [[-1, 0, 0, voxels.shape[2] - 1], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1.0]]
        )
    affine[0, 3] += off_mm
    return Image("", np.ascontiguousarray(voxels), affine, {})


def a_screw(side: Side, image: Image | None = None) -> OpenedScrew:
    return OpenedScrew(level("L4"), side, 6.5, image or an_image())


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("off_mm", [0.0, 60.0, -45.0])
def test_the_middle_lies_between_the_metal_of_both_sides(*, mirrored: bool, off_mm: float):
    image = an_image(mirrored=mirrored, off_mm=off_mm)
    middle = metal_middle_mm(image, (FROM_MIDDLE_MM + off_mm, 10.0, 0.0))
    assert middle == pytest.approx(off_mm, abs=0.5)


@pytest.mark.parametrize("asked", list(Side))
@pytest.mark.parametrize("found", list(Side))
def test_the_metal_tells_a_screw_of_the_other_side(asked: Side, found: Side):
    doubt = side_doubt(a_screw(asked), placed(found))
    assert (doubt is None) == (asked is found)
    if doubt is not None:
        words = {Side.LEFT: "left", Side.RIGHT: "right"}
        assert doubt.words == (
            f"this looks like the patient's {words[found]} side; "
            f"the screw to be read is on the {words[asked]}"
        )
        assert not doubt.is_certain


@pytest.mark.parametrize("asked", list(Side))
def test_metal_of_one_side_alone_tells_nothing(asked: Side):
    for only in Side:
        image = an_image(only=only)
        assert side_doubt(a_screw(asked, image), placed(only)) is None


@pytest.mark.parametrize("asked", list(Side))
def test_metal_far_above_or_none_tells_nothing(asked: Side):
    voxels, affine = voxels_and_affine()
    affine[2, 3] += 60.0
    far = Image("", voxels, affine, {})
    assert side_doubt(a_screw(asked, far), placed(Side.LEFT)) is None
    beyond = replace(far, affine=affine + np.array([[0.0] * 4, [0.0] * 4, [0, 0, 0, 900], [0] * 4]))
    assert side_doubt(a_screw(asked, beyond), placed(Side.LEFT)) is None


def test_grain_on_the_other_side_is_not_taken_for_metal():
    image = an_image(only=Side.LEFT)
    image.voxels[20, 130, 20] = METAL_HU
    assert metal_middle_mm(image, ENTRY) is None


@pytest.mark.parametrize("asked", list(Side))
@pytest.mark.parametrize("x", [2.0, -2.0])
def test_an_entry_close_to_the_middle_tells_nothing(asked: Side, x: float):
    placing = Placing(ScrewAxis((x, 10.0, 0.0), (x, -30.0, 0.0)))
    assert side_doubt(a_screw(asked), placing) is None


@pytest.mark.parametrize("asked", list(Side))
@pytest.mark.parametrize("found", list(Side))
@pytest.mark.parametrize("is_turned", [False, True])
@pytest.mark.parametrize("lean_mm", [0.0, 20.0, -20.0])
def test_the_midplane_decides_however_it_leans_and_was_marked(
    asked: Side, found: Side, lean_mm: float, *, is_turned: bool
):
    ends = ((lean_mm, -40.0, 0.0), (-lean_mm, 20.0, 0.0))
    if is_turned:
        ends = (ends[1], ends[0])
    doubt = side_doubt(a_screw(asked), Placing(placed(found).axis, ends))
    assert (doubt is None) == (asked is found)
    assert doubt is None or doubt.is_certain
