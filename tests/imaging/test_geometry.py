import math

import numpy as np
import pytest
from highdicom.spatial import PixelToReferenceTransformer

from registry.imaging.geometry import NotAVolumeError, stack
from registry.imaging.kinds import Kind
from registry.imaging.parsing import Head
from registry.imaging.slices import slice_header
from registry.imaging.sources import SourceFile
from tests.imaging.written_files import a_slice, slices


def headers(datasets):
    return [
        slice_header(SourceFile(str(k), lambda: None), Head(dataset, None, b""))
        for k, dataset in enumerate(datasets)
    ]


def place(volume, i, j, k):
    return volume.affine @ [i, j, k, 1]


def test_the_affine_gives_the_worked_position():
    # DICOM PS3.3 C.7.6.2.1.1: P = S + X di i + Y dj j, with Pixel Spacing rows first; worked by
    # hand: S (-100, -90, 5), X (.8, .6, 0), Y (-.6, .8, 0), spacing 0.5\0.3, i 10, j 20
    made = slices(orientation=(0.8, 0.6, 0, -0.6, 0.8, 0), spacing=(0.5, 0.3))
    volume = stack(headers(made))
    assert place(volume, 10, 20, 0)[:3] == pytest.approx([-103.6, -80.2, 5.0], abs=1e-9)
    assert place(volume, 10, 20, 3)[:3] == pytest.approx([-103.6, -80.2, 5.0 + 3 * 0.8], abs=1e-9)


def test_slices_rise_along_row_cross_column_whatever_the_files_order_and_the_lying_tags():
    rng = np.random.default_rng(3)
    made = slices(12)
    straight = stack(headers(made))
    for dataset in made:
        dataset.InstanceNumber = int(rng.integers(1, 500))
        dataset.SliceLocation = float(rng.normal())
        dataset.SliceThickness = 3
        dataset.GantryDetectorTilt = 20
    shuffled = [made[k] for k in rng.permutation(12)]
    volume = stack(headers(shuffled))
    assert [each.sop_uid for each in volume.slices] == [each.sop_uid for each in straight.slices]
    assert np.array_equal(volume.affine, straight.affine)
    assert volume.step_mm == pytest.approx(0.8)


@pytest.mark.parametrize("seed", range(6))
def test_every_slice_of_a_turned_and_sheared_stack_has_highdicoms_position(seed):
    rng = np.random.default_rng(seed)
    matrix, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    row, column = matrix[:, 0], matrix[:, 1]
    step = np.cross(row, column) * 0.7 + 0.2 * row - 0.15 * column
    made = slices(9, step=step, orientation=(*row, *column), spacing=(0.41, 0.37))
    volume = stack(headers(made))
    assert volume.is_sheared
    assert volume.step_mm == pytest.approx(0.7, abs=1e-6)
    for k, header in enumerate(volume.slices):
        judge = PixelToReferenceTransformer(header.position_mm, header.orientation, header.pixel_mm)
        expected = judge(np.array([[17, 5]]))[0]
        assert place(volume, 17, 5, k)[:3] == pytest.approx(expected, abs=1e-5)
    assert np.linalg.det(volume.affine[:3, :3]) > 0


@pytest.mark.parametrize("tilt_tag", [18.5, -18.5, 0])
def test_a_tilted_gantry_is_followed_by_vectors_whatever_sign_its_tag_has(tilt_tag):
    angle = math.radians(18.5)
    made = slices(
        step=(0, 0, 1.0),
        orientation=(1, 0, 0, 0, math.cos(angle), -math.sin(angle)),
        GantryDetectorTilt=tilt_tag,
    )
    volume = stack(headers(made))
    assert volume.tilt_deg == pytest.approx(18.5, abs=1e-3)
    assert volume.affine[:3, 2] == pytest.approx([0, 0, 1.0])
    assert volume.step_mm == pytest.approx(math.cos(angle), abs=1e-6)


def test_a_gap_is_refused_with_its_place_and_size():
    made = slices(20)
    del made[7:9]
    with pytest.raises(
        NotAVolumeError,
        match=r"step by 0\.80 mm, but 2\.40 mm between slices 7 and 8 \(z 9\.8 to 12\.2 mm\); "
        "a screw that lies there could not be read",
    ):
        stack(headers(made))


def test_one_slice_that_is_missing_gives_one_plane_between_its_neighbours():
    made = slices(20)
    whole = stack(headers(made))
    del made[7]
    volume = stack(headers(made))
    assert volume.affine == pytest.approx(whole.affine)
    assert len(volume.blends) == 20
    between = {k: each for k, each in enumerate(volume.blends) if 0 < each.share < 1}
    assert between == {7: (6, pytest.approx(0.5))}
    assert (volume.widest.step_mm, volume.widest.low_z_mm) == pytest.approx((1.6, 9.8))
    assert [each.sop_uid for each in volume.planes[8:]] == [
        each.SOPInstanceUID for each in made[7:]
    ]


def test_a_slice_missing_among_rounded_positions_leaves_the_others_as_they_are():
    made = slices(101, step=(0, 0, 0.625))
    for dataset in made:
        z = float(dataset.ImagePositionPatient[2])
        dataset.ImagePositionPatient[2] = round(z, 2)
    del made[40]
    volume = stack(headers(made))
    assert len(volume.blends) == 101
    assert sum(0 < each.share < 1 for each in volume.blends) == 1


@pytest.mark.parametrize(
    ("depths", "words"),
    [
        ([1.5 * k for k in range(9)] + [12 + 2.6, 16.1], "2.60 mm between slices 9 and 10"),
        ([0.5 * k for k in range(9)] + [4 + 1.1, 5.6], "1.10 mm between slices 9 and 10"),
        (
            [3.0 * k for k in range(9)] + [24 + 2.0, 29.0],
            "more than 2.5 mm apart are not resampled",
        ),
        ([1.0 * k for k in range(9)] + [8.02, 9.0], "slices lie nearly at one place"),
    ],
    ids=["wider than 2.5 mm", "wider than two steps", "thick ones", "nearly one place"],
)
def test_slices_that_may_not_be_resampled_say_why(depths, words):
    made = [a_slice(k, position=(0, 0, depth)) for k, depth in enumerate(depths)]
    with pytest.raises(NotAVolumeError, match=words):
        stack(headers(made))


def test_the_finer_part_of_an_uneven_stack_stays_as_fine():
    depths = [0.6 * k for k in range(20)] + [11.4 + 1.2 * k for k in range(1, 21)]
    made = [a_slice(k, position=(0, 0, depth)) for k, depth in enumerate(depths)]
    volume = stack(headers(made))
    assert volume.step_mm == pytest.approx(0.6)
    assert len(volume.blends) == 60


def test_steps_that_grow_within_their_tolerance_are_resampled_before_they_drift():
    depths = np.cumsum([0.0, *np.linspace(0.80, 0.88, 60)])
    made = [a_slice(k, position=(0, 0, depth)) for k, depth in enumerate(depths)]
    volume = stack(headers(made))
    for plane, (lower, share) in enumerate(volume.blends):
        mixed = (1 - share) * depths[lower] + share * depths[lower + 1]
        assert place(volume, 0, 0, plane)[2] == pytest.approx(mixed, abs=0.011)


def test_a_slice_that_slid_sideways_is_refused():
    made = slices(12)
    made[5].ImagePositionPatient[0] += 0.5
    with pytest.raises(NotAVolumeError, match=r"slice 6 .* lies 0\.50 mm off the line"):
        stack(headers(made))


def test_two_stacks_at_the_same_depth_are_refused():
    beside = slices(10, first=(0.0, -90.0, 5.0), series=2)
    with pytest.raises(NotAVolumeError, match=r"0\.00"):
        stack(headers(slices(10) + beside))


def test_too_few_slices_are_refused_with_their_number():
    with pytest.raises(NotAVolumeError, match="too few slices: 7, at least 8"):
        stack(headers(slices(7)))


def test_a_position_twice_keeps_the_earlier_acquisition_whatever_comes_first():
    first, again = slices(10, AcquisitionNumber=1), slices(10, series=2, AcquisitionNumber=2)
    for given in (first + again, again + first, list(reversed(first + again))):
        volume = stack(headers(given))
        assert [each.acquisition for each in volume.slices] == [1] * 10
        assert [each.acquisition for each in volume.duplicates] == [2] * 10


def test_rounded_positions_of_a_real_scanner_still_step_evenly():
    made = slices(40, step=(0, 0, 0.625))
    for dataset in made:
        z = float(dataset.ImagePositionPatient[2])
        dataset.ImagePositionPatient[2] = round(z, 2)
    volume = stack(headers(made))
    assert volume.step_mm == pytest.approx(0.625, abs=0.001)


@pytest.mark.parametrize(
    ("attributes", "words"),
    [
        ({"ImageOrientationPatient": [1, 0, 0, 1, 0, 0]}, "right angles"),
        ({"ImageOrientationPatient": [2, 0, 0, 0, 1, 0]}, "unit vectors"),
        ({"ImageOrientationPatient": [1, 0, 0]}, "six numbers"),
        ({"ImagePositionPatient": [1, 2]}, "three numbers"),
        ({"PixelSpacing": [0.5, 0]}, "positive"),
        ({"PixelSpacing": 0.5}, "positive"),
    ],
)
def test_a_slice_without_usable_geometry_says_what_is_wrong(attributes, words):
    (kind,) = headers([a_slice(**attributes)])
    assert isinstance(kind, Kind)
    assert words in kind.why
