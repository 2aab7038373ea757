import subprocess
import time
import tracemalloc
from io import BytesIO

import highdicom
import numpy as np
import pytest
import SimpleITK
from pydicom import dcmread

from registry.domain.problems import BadInputError
from registry.imaging.intake import SourceFile, read_series, survey
from tests.imaging.multi_frame_files import (
    code,
    enhanced,
    item,
    legacy_converted,
    packed,
    reordered,
    whole,
)
from tests.imaging.written_files import (
    COMPRESSED,
    UNCOMPRESSED,
    Array,
    a_slice,
    encoded,
    slices,
    stored_values,
    write,
)

TURNED = {
    "orientation": (0.9541666, -0.2080757, 0.2151061, 0.2785886, 0.880128, -0.3843997),
    "step": (0.1, 0.2, 0.7),
}


def survey_of(content: bytes):
    return survey([SourceFile("frames.dcm", lambda: BytesIO(content))])


def read(content: bytes):
    sink = Array()
    return read_series(survey_of(content).series_to_read(), sink), sink.voxels


def single(tmp_path, made):
    write(made, tmp_path / "single")
    sink = Array()
    return read_series(survey([tmp_path / "single"]).series_to_read(), sink), sink.voxels


def test_the_written_images_are_valid_by_dicom3tools(tmp_path):
    """The standard's modules as dicom3tools reads them."""
    path = tmp_path / "enhanced.dcm"
    path.write_bytes(whole(enhanced(slices(10))))
    done = subprocess.run(["dciodvfy", path], capture_output=True, text=True, check=False)
    assert done.stderr.split() == ["EnhancedCTImage"]


@pytest.mark.parametrize("make", [enhanced, legacy_converted])
@pytest.mark.parametrize("stack", [{}, TURNED], ids=["plain", "turned and sheared"])
def test_frames_in_any_order_give_the_volume_of_their_single_slices(tmp_path, make, stack):
    made = slices(10, **stack)
    expected, voxels = single(tmp_path, made)
    volume, found = read(whole(make(reordered(made))))
    assert np.array_equal(found, voxels)
    assert volume.affine == pytest.approx(expected.affine, abs=1e-9)
    assert volume.attributes["kernel"] == "BONE"
    assert volume.attributes["kvp"] == 120
    assert volume.scanned_on == expected.scanned_on
    assert volume.identity.patient_id == "INV-0001"


@pytest.mark.parametrize("make", [enhanced, legacy_converted])
def test_ten_voxels_are_where_highdicom_has_them(tmp_path, make):
    # highdicom's own volume of the file: array [slice, row, column], affine to LPS, rescaled; it
    # takes no sheared stack, so this one is only turned
    normal = np.cross(TURNED["orientation"][:3], TURNED["orientation"][3:])
    path = tmp_path / "frames.dcm"
    made = slices(10, orientation=TURNED["orientation"], step=0.7 * normal)
    path.write_bytes(whole(make(reordered(made))))
    volume, voxels = read(path.read_bytes())
    judge = highdicom.imread(path).get_volume(atol=0.01)
    rng = np.random.default_rng(5)
    for _ in range(10):
        k, j, i = (int(rng.integers(0, n)) for n in volume.shape)
        place = volume.affine @ [i, j, k, 1]
        theirs = np.linalg.solve(judge.affine, place)[:3]
        assert judge.affine @ [*np.rint(theirs), 1] == pytest.approx(place, abs=0.01)
        assert judge.array[tuple(np.rint(theirs).astype(int))] == voxels[k, j, i]


def test_ten_voxels_are_where_simpleitk_has_them(tmp_path):
    # SimpleITK reads an enhanced image whole where its frames rise in the file's order
    made = slices(10, orientation=(0.8, 0.6, 0, -0.6, 0.8, 0))
    path = tmp_path / "frames.dcm"
    path.write_bytes(whole(enhanced(made)))
    volume, voxels = read(path.read_bytes())
    image = SimpleITK.ReadImage(str(path))
    rng = np.random.default_rng(6)
    for _ in range(10):
        k, j, i = (int(rng.integers(0, n)) for n in volume.shape)
        theirs = image.TransformIndexToPhysicalPoint((i, j, k))
        assert volume.affine[:3] @ [i, j, k, 1] == pytest.approx(theirs, abs=0.01)
        assert voxels[k, j, i] == image.GetPixel(i, j, k)


@pytest.mark.parametrize("syntax", UNCOMPRESSED, ids=lambda uid: uid.name)
def test_uncompressed_frames_are_found_by_their_place(syntax):
    made = reordered(slices(9))
    content = encoded(enhanced(made), syntax)
    _, voxels = read(content)
    assert np.array_equal(voxels, np.stack([stored_values(k) for k in range(9)]) - 1024)


@pytest.mark.parametrize("has_table", [True, False], ids=["offset table", "no offset table"])
@pytest.mark.parametrize("syntax", COMPRESSED, ids=lambda uid: uid.name)
def test_compressed_frames_are_found_by_table_or_by_piece(syntax, has_table):
    made = reordered(slices(9))
    _, voxels = read(packed(enhanced(made), made, syntax, has_table=has_table))
    assert np.array_equal(voxels, np.stack([stored_values(k) for k in range(9)]) - 1024)


def test_each_frame_has_its_own_rescale_and_its_own_item_goes_before_the_shared_one():
    made = slices(9)
    for k, dataset in enumerate(made):
        dataset.RescaleSlope, dataset.RescaleIntercept = 1 + k, -1000 + 10 * k
    image = enhanced(made)
    image.SharedFunctionalGroupsSequence[0].PixelMeasuresSequence = [
        item(PixelSpacing=[9.0, 9.0], SliceThickness=9)
    ]
    for own in image.PerFrameFunctionalGroupsSequence:
        own.PixelMeasuresSequence = [item(PixelSpacing=[0.5, 0.3], SliceThickness=0.8)]
    volume, voxels = read(whole(image))
    for k in range(9):
        expected = stored_values(k).astype(np.int64) * (1 + k) - 1000 + 10 * k
        assert np.array_equal(voxels[k], expected)
    assert volume.attributes["pixel_spacing_mm"] == [0.5, 0.3]
    assert volume.attributes["slice_thickness_mm"] == pytest.approx(0.8)


def test_an_image_in_two_files_of_one_series_is_one_volume(tmp_path):
    # a concatenation, PS3.3 C.7.6.16.1.3: frames of one series over several instances
    made = slices(12)
    for number, part in enumerate((made[:5], made[5:])):
        image = enhanced(part)
        image.SOPInstanceUID = image.file_meta.MediaStorageSOPInstanceUID = f"1.2.3.{number}"
        (tmp_path / f"{number}.dcm").write_bytes(whole(image))
    sink = Array()
    volume = read_series(survey([tmp_path]).series_to_read(), sink)
    assert np.array_equal(sink.voxels, np.stack([stored_values(k) for k in range(12)]) - 1024)
    assert volume.identity.sop_uids == ("1.2.3.0",) * 5 + ("1.2.3.1",) * 7


def test_two_stacks_in_one_file_are_looked_at_apart():
    image = enhanced(slices(9) + slices(9, first=(-100.0, -90.0, 60.0)))
    for own in image.PerFrameFunctionalGroupsSequence[9:]:
        own.FrameContentSequence[0].StackID = "2"
    found = survey_of(whole(image))
    assert [each.summary.slices for each in found.found] == [9, 9]
    assert found.listing[0].study == found.listing[1].study


def of_type(*words):
    return {
        "CTImageFrameTypeSequence": [
            item(FrameType=["DERIVED", "PRIMARY", *words], VolumetricProperties="VOLUME")
        ]
    }


@pytest.mark.parametrize(
    ("shared", "what", "kind"),
    [
        (of_type("LOCALIZER", "NONE"), "multi-frame CT, localizer", "localizer"),
        (of_type("PERFUSION", "RCBF"), "multi-frame CT, derived map", "derived map"),
        (
            {
                "RealWorldValueMappingSequence": [
                    item(MeasurementUnitsCodeSequence=[code("mg/cm3", "UCUM", "mg/cm3")])
                ]
            },
            "multi-frame CT, derived map",
            "derived map",
        ),
        (
            {"PlaneOrientationSequence": []},
            "multi-frame CT, CT image without usable geometry",
            "other image",
        ),
    ],
    ids=["localizer", "perfusion", "other unit", "no orientation"],
)
def test_frames_that_are_no_slices_are_named(shared, what, kind):
    found = survey_of(whole(enhanced(slices(9), shared=shared)))
    assert found.found == ()
    (line,) = found.listing
    assert (line.words, line.kind) == (f"{what}, 1 file", kind)
    assert line.why_not.startswith("frame 1: ")


@pytest.mark.parametrize(
    ("attributes", "why"),
    [
        ({"NumberOfFrames": 2_000_000_000}, "announces 2000000000 frames; 1 to 5000 are read"),
        ({"NumberOfFrames": 10}, "announces 10 frames and describes 9"),
        ({"NumberOfFrames": 0}, "announces 1 frames and describes 9"),
        ({"PixelData": b"\0" * 1000}, "cut short: 1000 bytes where 13824 were announced"),
        ({"Rows": 4096}, "cut short: 13824 bytes where 2359296 were announced"),
        ({"Rows": 65535}, "65535 rows and 32 columns cannot be read"),
        ({"PerFrameFunctionalGroupsSequence": []}, "announces 9 frames and describes 0"),
    ],
    ids=["absurd", "one more", "none", "short", "tall", "too tall", "not described"],
)
def test_a_crafted_image_is_named_and_left_out_at_once(attributes, why):
    image = enhanced(slices(9))
    for keyword, value in attributes.items():
        setattr(image, keyword, value)
    content = whole(image)
    began = time.process_time()
    found = survey_of(content)
    assert time.process_time() - began < 2
    assert found.found == ()
    assert why in found.listing[0].why_not


def test_a_file_cut_short_is_refused_by_name_when_it_is_read():
    content = whole(enhanced(slices(9)))
    with pytest.raises(BadInputError, match=r"frames.dcm: its pixel data are cut short"):
        read(content[:-100])


@pytest.mark.parametrize("syntax", COMPRESSED, ids=lambda uid: uid.name)
def test_compressed_frames_cut_short_or_too_few_are_refused_by_name(syntax):
    made = slices(9)
    content = packed(enhanced(made), made, syntax)
    with pytest.raises(BadInputError, match=r"frames\.dcm: its .*compressed|holds 8 compressed"):
        read(content[:-400])
    short = packed(enhanced(made), made[:8], syntax)
    with pytest.raises(BadInputError, match="announces 9 frames and holds 8 compressed pieces"):
        read(short)


def test_the_frames_are_never_in_memory_together(tmp_path):
    shape = (256, 256)
    made = [a_slice(k, position=(0, 0, k), values=stored_values(k, shape)) for k in range(60)]
    path = tmp_path / "frames.dcm"
    path.write_bytes(whole(enhanced(made)))
    del made
    chosen = survey([path]).series_to_read()

    class Nowhere:
        def begin(self, shape, dtype):
            pass

        def write(self, index, plane):
            pass

    tracemalloc.start()
    read_series(chosen, Nowhere())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 20 * shape[0] * shape[1] * 2  # the whole is 60 such frames


def test_the_same_image_twice_is_one_and_each_frame_once(tmp_path):
    content = whole(enhanced(slices(9)))
    for name in ("one", "two"):
        (tmp_path / name).write_bytes(content)
    found = survey([tmp_path])
    assert found.series_to_read().summary.slices == 9
    assert [each.what for each in found.aside] == ["copy of an image"]
    assert dcmread(BytesIO(content)).NumberOfFrames == 9
