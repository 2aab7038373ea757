import re
import tracemalloc
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import SimpleITK
from pydicom import dcmread
from pydicom.uid import ExplicitVRLittleEndian, JPEG2000Lossless, JPEGLSLossless, RLELossless

from registry.domain.problems import BadInputError
from registry.imaging.intake import read_series, survey
from tests.imaging.written_files import (
    COMPRESSED,
    UNCOMPRESSED,
    Array,
    a_slice,
    encoded,
    real_folder,
    slices,
    stored_values,
    write,
)

PLACES = [(0, 0, 0), (31, 23, 9), (5, 7, 3), (12, 1, 8), (30, 20, 1)]


def read(*paths):
    sink = Array()
    volume = read_series(survey([Path(path) for path in paths]).series_to_read(), sink)
    return volume, sink.voxels


@pytest.mark.parametrize("syntax", UNCOMPRESSED + COMPRESSED, ids=lambda uid: uid.name)
def test_every_lossless_syntax_gives_the_written_values(tmp_path, syntax):
    write(slices(10), tmp_path, syntax)
    volume, voxels = read(tmp_path)
    expected = np.stack([stored_values(k) for k in range(10)]) - 1024
    assert np.array_equal(voxels, expected)
    assert voxels.dtype == np.int16
    assert volume.attributes["lossy"] is False


@pytest.mark.parametrize("syntax", UNCOMPRESSED + COMPRESSED, ids=lambda uid: uid.name)
def test_twelve_bit_unsigned_values_are_equal_in_every_syntax(tmp_path, syntax):
    made = slices(8)
    for k, dataset in enumerate(made):
        values = (stored_values(k).astype(np.int32) % 4096).astype(np.uint16)
        dataset.PixelData = values.tobytes()
        dataset.PixelRepresentation, dataset.BitsStored, dataset.HighBit = 0, 12, 11
    write(made, tmp_path, syntax)
    _, voxels = read(tmp_path)
    expected = np.stack([stored_values(k).astype(np.int32) % 4096 for k in range(8)]) - 1024
    assert np.array_equal(voxels, expected)


def made_folder(name):
    def make(tmp_path):
        made = {
            "plain": lambda: slices(10),
            "tilted": lambda: slices(
                10, step=(0, 0, 1.0), orientation=(1, 0, 0, 0, 0.9483237, -0.3173047)
            ),
            "turned": lambda: slices(
                10,
                step=(0.1, 0.2, 0.7),
                orientation=(0.9541666, -0.2080757, 0.2151061, 0.2785886, 0.880128, -0.3843997),
                spacing=(3.5, 2.5),
            ),
        }[name]()
        write(made, tmp_path)
        return sorted(tmp_path.iterdir())

    return make


def real_files(*names):
    folder = real_folder(names[0])
    return [
        path
        for path in sorted(folder.iterdir(), key=lambda p: int(p.name.lstrip("I") or 0))
        if path.name in names[1:] or len(names) == 1
    ]


SERIES = [pytest.param(made_folder(n), id=n) for n in ("plain", "tilted", "turned")]
if (folder := real_folder("study_plain/S2010")) is not None:
    SERIES += [
        pytest.param(lambda _: sorted(folder.glob("I*")), id="scanner, plain"),
        pytest.param(
            lambda _: [
                path
                for path in sorted(real_folder("tilt_other_sign").glob("I*"))
                if int(path.name[1:]) >= 100
            ],
            id="scanner, tilt tag of the other sign",
        ),
    ]


@pytest.mark.parametrize("files", SERIES)
def test_values_and_positions_are_those_of_simpleitk(tmp_path, files):
    paths = files(tmp_path)
    volume, voxels = read(*paths)
    rng = np.random.default_rng(11)
    by_place = {}
    for path in paths:
        image = SimpleITK.ReadImage(str(path))
        by_place[tuple(np.round(image.TransformIndexToPhysicalPoint((0, 0, 0)), 2))] = image
    worst_mm = 0.0
    for _ in range(10):
        k, j, i = (int(rng.integers(0, n)) for n in volume.shape)
        image = by_place[tuple(np.round(volume.affine[:3] @ [0, 0, k, 1], 2))]
        assert voxels[k, j, i] == image.GetPixel(i, j, 0)
        theirs = np.array(image.TransformIndexToPhysicalPoint((i, j, 0)))
        ours = volume.affine[:3] @ [i, j, k, 1]
        worst_mm = max(worst_mm, float(np.linalg.norm(theirs - ours)))
    assert worst_mm < 0.01


def test_a_plain_series_equals_simpleitks_own_series_reader(tmp_path):
    folder = real_folder("study_plain/S2010")
    if folder is None:
        folder = tmp_path
        write(slices(12), folder)
    volume, voxels = read(folder)
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    image = reader.Execute()
    assert np.array_equal(SimpleITK.GetArrayFromImage(image), voxels)
    for index in [(0, 0, 0), (7, 3, 5), (20, 11, 9)]:
        theirs = image.TransformContinuousIndexToPhysicalPoint([float(n) for n in index])
        assert volume.affine[:3] @ [*index, 1] == pytest.approx(theirs, abs=0.01)


def test_the_order_of_files_and_lying_numbers_change_nothing(tmp_path):
    made = slices(12)
    write(made, tmp_path / "straight")
    straight, expected = read(tmp_path / "straight")
    rng = np.random.default_rng(5)
    for dataset in made:
        dataset.InstanceNumber = int(rng.integers(1, 900))
        dataset.SliceLocation = float(rng.normal() * 100)
    write([made[k] for k in rng.permutation(12)], tmp_path / "shuffled")
    shuffled, voxels = read(tmp_path / "shuffled")
    assert np.array_equal(voxels, expected)
    assert np.array_equal(shuffled.affine, straight.affine)
    assert shuffled.identity.sop_uids == straight.identity.sop_uids


def test_rescale_is_taken_from_each_slice(tmp_path):
    made = slices(8)
    for k, dataset in enumerate(made):
        dataset.RescaleSlope, dataset.RescaleIntercept = 1 + k, -1000 + 10 * k
    write(made, tmp_path)
    _, voxels = read(tmp_path)
    for k in range(8):
        expected = stored_values(k).astype(np.int64) * (1 + k) - 1000 + 10 * k
        assert np.array_equal(voxels[k], expected)


@pytest.mark.parametrize(
    ("values_type", "attributes", "padded"),
    [
        (np.int16, {"PixelPaddingValue": -2000}, [-2000]),
        (np.int16, {"PixelPaddingValue": 63536}, [-2000]),
        (
            np.int16,
            {"PixelPaddingValue": -2000, "PixelPaddingRangeLimit": -1990},
            [-2000, -1995, -1990],
        ),
        (
            np.int16,
            {"PixelPaddingValue": -1990, "PixelPaddingRangeLimit": -2000},
            [-2000, -1995, -1990],
        ),
        (np.uint16, {"PixelPaddingValue": 60000}, [60000]),
    ],
    ids=["signed", "written unsigned", "range", "range downwards", "unsigned"],
)
def test_padding_is_told_by_stored_values_and_becomes_air(
    tmp_path, values_type, attributes, padded
):
    made = []
    for k in range(8):
        values = np.full((24, 32), 500, values_type)
        values[0, : len(padded)] = padded
        values[1, 0] = 1024
        made.append(a_slice(k, position=(0, 0, k), values=values))
    for dataset in made:
        for keyword, value in attributes.items():
            element = "US" if value > 0 else "SS"
            dataset.add_new(keyword, element, value)
    write(made, tmp_path)
    _, voxels = read(tmp_path)
    assert (voxels[:, 0, : len(padded)] == -1024).all()
    assert (voxels[:, 0, len(padded) :] == 500 - 1024).all()
    assert (voxels[:, 1, 0] == 0).all()


def test_padding_may_use_bits_that_no_value_of_the_image_uses(tmp_path):
    # a value of 12 bits, and -2000 as 16 bits have it
    made = []
    for k in range(8):
        values = np.full((24, 32), 1024, np.uint16)
        values[0, :3] = 63536
        dataset = a_slice(k, position=(0, 0, k), values=values, BitsStored=12, HighBit=11)
        dataset.add_new("PixelPaddingValue", "US", 63536)
        made.append(dataset)
    write(made, tmp_path)
    _, voxels = read(tmp_path)
    assert (voxels[:, 0, :3] == -1024).all()
    assert (voxels[:, 1:] == 0).all()


def test_metal_beyond_the_usual_range_is_kept_and_widens_only_where_it_must(tmp_path):
    values = stored_values(0)
    values[3, 4] = 31_000
    made = [a_slice(k, position=(0, 0, k), values=values) for k in range(8)]
    write(made, tmp_path / "narrow")
    _, voxels = read(tmp_path / "narrow")
    assert voxels.dtype == np.int16
    assert voxels[5, 3, 4] == 29_976
    for dataset in made[6:]:
        dataset.RescaleSlope = 2
    write(made, tmp_path / "wide")
    sink = Array()
    volume = read_series(survey([tmp_path / "wide"]).series_to_read(), sink)
    assert sink.begun == ["int16", "int32"]
    assert volume.dtype == "int32"
    assert sink.voxels[7, 3, 4] == 60_976
    assert sink.voxels[0, 3, 4] == 29_976


def test_bits_above_those_stored_are_no_part_of_the_value(tmp_path):
    # PS3.5 section 8.1.1; old files kept overlays there
    clean = (stored_values(0).astype(np.int32) % 4096).astype(np.uint16)
    made = []
    for k in range(8):
        dataset = a_slice(k, position=(0, 0, k), values=clean | np.uint16(0x8000))
        dataset.BitsStored, dataset.HighBit = 12, 11
        made.append(dataset)
    write(made, tmp_path)
    _, voxels = read(tmp_path)
    assert np.array_equal(voxels[4], clean.astype(int) - 1024)


@pytest.mark.parametrize(
    "syntax",
    [ExplicitVRLittleEndian, *COMPRESSED],
    ids=lambda uid: uid.name,
)
def test_cut_pixel_data_are_refused_with_the_files_name(tmp_path, syntax):
    paths = write(slices(10), tmp_path, syntax)
    content = paths[4].read_bytes()
    paths[4].write_bytes(content[: len(content) - 400])
    with pytest.raises(BadInputError, match=re.escape(str(paths[4]))):
        read(tmp_path)


@pytest.mark.parametrize("syntax", [RLELossless, JPEGLSLossless, JPEG2000Lossless])
def test_a_smaller_picture_than_announced_is_refused(tmp_path, syntax):
    made = slices(10)
    paths = write(made, tmp_path, syntax)
    dataset = dcmread(paths[3])
    small = encoded(a_slice(values=stored_values(3, (24, 16))), syntax)
    dataset.PixelData = dcmread(BytesIO(small)).PixelData
    dataset.save_as(paths[3])
    with pytest.raises(BadInputError, match="slice003"):
        read(tmp_path)


def test_a_slice_that_lost_its_pixels_is_refused_by_name(tmp_path):
    made = slices(10)
    paths = write(made, tmp_path)
    dataset = dcmread(paths[6])
    del dataset.PixelData
    dataset.save_as(paths[6])
    with pytest.raises(BadInputError, match=r"slice006.dcm: it has no pixel data"):
        read(tmp_path)


def test_a_file_that_changed_after_the_survey_is_refused(tmp_path):
    paths = write(slices(10), tmp_path)
    chosen = survey([tmp_path]).series_to_read()
    paths[2].write_bytes(paths[3].read_bytes())
    with pytest.raises(BadInputError, match="changed while it was read"):
        read_series(chosen, Array())


def test_a_lossy_history_is_kept_with_the_scan(tmp_path):
    write(slices(10, LossyImageCompression="01"), tmp_path)
    volume, _ = read(tmp_path)
    assert volume.attributes["lossy"] is True
    assert any("lossy" in words for words in volume.warnings)


@pytest.mark.parametrize("sheared", [False, True])
def test_uneven_slices_are_interpolated_along_the_stack_and_said_so(tmp_path, sheared):
    # judged by numpy.interp, each voxel's column by itself
    depths = np.array([0.0, 0.8, 1.6, 2.9, 3.7, 4.5, 5.3, 6.1, 7.6, 8.4, 9.2, 10.0])
    slant = np.array([0.0, 0.3, 1.0]) if sheared else np.array([0.0, 0.0, 1.0])
    write([a_slice(k, position=slant * z) for k, z in enumerate(depths)], tmp_path)
    volume, voxels = read(tmp_path)
    written = np.stack([stored_values(k) for k in range(12)]).astype(float) - 1024
    planes = (volume.affine @ np.array([[0, 0, k, 1] for k in range(len(voxels))]).T)[2]
    assert planes[0] == pytest.approx(0)
    assert planes[-1] == pytest.approx(10)
    for j, i in [(0, 0), (23, 31), (7, 12)]:
        expected = np.interp(planes, depths, written[:, j, i])
        assert voxels[:, j, i] == pytest.approx(expected, abs=0.51)
    assert any(
        "uneven slices, up to 1.50 mm apart (z 6.1 to 7.6 mm): resampled" in words
        for words in volume.warnings
    )
    assert volume.attributes["resampled"] is True
    assert len(volume.identity.sop_uids) == len(voxels)


def test_a_missing_slice_changes_no_other(tmp_path):
    made = slices(12)
    write(made[:5] + made[6:], tmp_path)
    _, voxels = read(tmp_path)
    expected = np.stack([stored_values(k) for k in range(12)]).astype(float) - 1024
    expected[5] = np.rint((expected[4] + expected[6]) / 2)
    assert np.array_equal(voxels, expected)


def test_thick_tilted_and_derived_scans_are_warned_of_in_words(tmp_path):
    write(
        slices(
            10,
            step=(0, 0, 3.0),
            orientation=(1, 0, 0, 0, 0.9483237, -0.3173047),
            ImageType=["DERIVED", "PRIMARY", "AXIAL"],
        ),
        tmp_path,
    )
    volume, _ = read(tmp_path)
    words = " | ".join(volume.warnings)
    assert "thick slices: 2.84 mm" in words
    assert "18.5 degrees" in words
    assert "derived" in words
    assert list(volume.warnings) == volume.attributes["warnings"]


def test_only_one_slice_is_in_memory_at_a_time(tmp_path):
    shape = (256, 256)
    made = [a_slice(k, position=(0, 0, k), values=stored_values(k, shape)) for k in range(60)]
    write(made, tmp_path)
    del made
    chosen = survey([tmp_path]).series_to_read()

    class Nowhere:
        def begin(self, shape, dtype):
            pass

        def write(self, index, plane):
            pass

    tracemalloc.start()
    read_series(chosen, Nowhere())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 20 * shape[0] * shape[1] * 2  # the whole series is 60 such slices
