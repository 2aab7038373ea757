"""Pictures of planes against SciPy's and SimpleITK's linear interpolation.

Both peers are general-purpose libraries: scipy.ndimage.map_coordinates of order 1, and SimpleITK's
resampler with its linear interpolator.
"""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813 - as its own documents write it
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation

from registry.measure.axes import patient_to_voxel
from registry.measure.planes import PlaneGrid, sample_planes
from registry.measure.sampling import OUTSIDE_HU, sample_points

SPACING = (0.45, 0.5, 0.9)


def a_volume(rng, dtype=np.int16):
    highest = 3000 if dtype == np.int16 else 32000
    return rng.integers(-1000, highest, (60, 140, 150)).astype(dtype)


def an_affine(rng, *, is_sheared=False):
    turn = Rotation.random(rng=rng).as_matrix()
    affine = np.eye(4)
    affine[:3, :3] = turn * SPACING
    if is_sheared:
        affine[:3, 2] += 0.3 * affine[:3, 1]
    affine[:3, 3] = rng.uniform(-200, 200, 3)
    return affine


def a_plane(rng, affine, *, middle=(75, 70, 30), size=96, spacing_mm=0.25):
    centre = affine[:3, :3] @ middle + affine[:3, 3]
    right, down, _ = Rotation.random(rng=rng).as_matrix().T * spacing_mm
    first = centre - (size - 1) / 2 * (right + down)
    return PlaneGrid(first, right, down, size, size)


@pytest.mark.parametrize("dtype", [np.int16, np.int32])
@pytest.mark.parametrize("seed", range(6))
def test_a_plane_is_what_scipy_samples_point_by_point(seed, dtype):
    rng = np.random.default_rng(seed)
    voxels, affine = a_volume(rng, dtype), an_affine(rng, is_sheared=seed % 2 == 1)
    plane = a_plane(rng, affine)
    (got,) = sample_planes(voxels, affine, [plane])
    kji = np.moveaxis(patient_to_voxel(plane.points_mm(), affine), -1, 0)[::-1]
    assert (kji >= 0).all()  # the whole plane lies inside, or the peer would be asked of nothing
    wanted = map_coordinates(voxels.astype(np.float64), kji, order=1)
    assert np.abs(got - wanted).max() <= 1.0
    assert got.dtype == np.int16


@pytest.mark.parametrize("seed", range(4))
def test_a_plane_is_what_simpleitk_resamples(seed):
    rng = np.random.default_rng(100 + seed)
    voxels, affine = a_volume(rng), an_affine(rng)
    plane = a_plane(rng, affine)
    (got,) = sample_planes(voxels, affine, [plane])
    image = sitk.GetImageFromArray(voxels)
    image.SetSpacing(SPACING)
    image.SetDirection((affine[:3, :3] / SPACING).ravel().tolist())
    image.SetOrigin(affine[:3, 3].tolist())
    wanted = sitk.Image(plane.columns, plane.rows, 1, sitk.sitkFloat32)
    sides = plane.right_mm / 0.25, plane.down_mm / 0.25
    wanted.SetSpacing((0.25, 0.25, 1.0))
    wanted.SetDirection(np.column_stack([*sides, np.cross(*sides)]).ravel().tolist())
    wanted.SetOrigin(plane.first_mm.tolist())
    made = sitk.Resample(image, wanted, sitk.Transform(), sitk.sitkLinear, 0.0, sitk.sitkFloat32)
    assert np.abs(got - sitk.GetArrayFromImage(made)[0]).max() <= 1.0


@pytest.mark.parametrize("seed", range(8))
def test_a_plane_that_leaves_the_volume_says_where(seed):
    rng = np.random.default_rng(200 + seed)
    voxels, affine = a_volume(rng), an_affine(rng)
    plane = a_plane(rng, affine, middle=(2, 70, 30))
    (got,) = sample_planes(voxels, affine, [plane])
    assert (got == sample_points(voxels, affine, plane.points_mm())).all()
    assert (got == OUTSIDE_HU).any()
    assert (got != OUTSIDE_HU).any()


def test_several_planes_at_once_are_each_what_they_are_alone():
    rng = np.random.default_rng(7)
    voxels, affine = a_volume(rng), an_affine(rng)
    planes = [a_plane(rng, affine, size=size) for size in (3, 64, 65, 150, 200)]
    together = sample_planes(voxels, affine, planes)
    for plane, picture in zip(planes, together, strict=True):
        assert picture.shape == (plane.rows, plane.columns)
        assert (picture == sample_planes(voxels, affine, [plane])[0]).all()


def test_a_volume_that_does_not_lie_in_order_in_memory_gives_the_same():
    rng = np.random.default_rng(8)
    voxels, affine = a_volume(rng), an_affine(rng)
    plane = a_plane(rng, affine)
    turned = np.asfortranarray(voxels)
    got, again = (sample_planes(each, affine, [plane])[0] for each in (voxels, turned))
    assert np.abs(got.astype(int) - again).max() <= 1


def test_planes_through_the_first_and_last_voxels_are_taken_to_the_edge():
    voxels = np.arange(4 * 5 * 6, dtype=np.int16).reshape(4, 5, 6)
    across, down = np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
    for k in (0, 3):
        plane = PlaneGrid(np.array([0.0, 0, k]), across, down, 5, 6)
        assert (sample_planes(voxels, np.eye(4), [plane])[0] == voxels[k]).all()
