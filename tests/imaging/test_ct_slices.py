"""CT slices made of a kept image: geometry and values by SimpleITK, attributes by PS3.15's table.

Table E.1-1: edition 2026c, as the package dicom-anonymizer 2.1.0 transcribes it.
"""

from __future__ import annotations

from datetime import date
from io import BytesIO

import numpy as np
import pytest
import SimpleITK
from dicomanonymizer.dicom_anonymization_databases import dicomfields_2026c as transcription
from dicomanonymizer.simpledicomanonymizer import anonymize_dataset, initialize_actions
from pydicom import dcmread
from pydicom.uid import UID

from registry.domain.problems import BadInputError
from registry.imaging.ct_slices import CT_CLASS, KeptImage, slice_files
from registry.imaging.identity import ScanIdentity
from registry.imaging.intake import read_series, survey
from tests.build.validators import complaints
from tests.imaging.written_files import Array

DAY = date(2020, 3, 1)
KEPT = {
    "manufacturer": "Works of nowhere",
    "model": "Slicer 5",
    "kernel": "BONE",
    "body_part": "LSPINE",
    "patient_position": "HFS",
    "image_type": ["ORIGINAL", "PRIMARY", "AXIAL"],
    "kvp": 120.0,
    "slice_thickness_mm": 1.0,
    "lossy": False,
    "contrast": True,
}
# What PS3.15's table lets stand, and a slice needs or tells how it was made.
KEEP = {
    "SOPClassUID", "ImageType", "Modality", "Manufacturer", "ManufacturerModelName",
    "PatientIdentityRemoved", "DeidentificationMethod", "DeidentificationMethodCodeSequence",
    "BodyPartExamined", "SliceThickness", "KVP", "ConvolutionKernel", "PatientPosition",
    "SeriesNumber", "AcquisitionNumber", "InstanceNumber", "ImagePositionPatient",
    "ImageOrientationPatient", "PositionReferenceIndicator", "SamplesPerPixel",
    "PhotometricInterpretation", "Rows", "Columns", "PixelSpacing", "BitsAllocated", "BitsStored",
    "HighBit", "PixelRepresentation", "LongitudinalTemporalInformationModified",
    "RescaleIntercept", "RescaleSlope", "RescaleType", "PixelData", "LossyImageCompression",
    "BurnedInAnnotation",
}  # fmt: skip
DATES = {"StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate"}

STRAIGHT = np.diag([0.3, 0.5, 0.8, 1.0])
STRAIGHT[:3, 3] = (-100.0, -90.123456789, 5.0)
TILTED = STRAIGHT.copy()
TILTED[:3, 2] = (0.0, 0.21, 0.77)
angle = np.radians(17.0)
TURN = np.array(
    [[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]]
)
OBLIQUE = STRAIGHT.copy()
OBLIQUE[:3, :3] = (
    TURN @ np.array([[1, 0, 0], [0, 0.96, -0.28], [0, 0.28, 0.96]]) @ np.diag([0.3, 0.5, 0.8])
)


def an_identity(count=9) -> ScanIdentity:
    return ScanIdentity(
        "P0123456789ab", "", "", "", "", "2.25.11", "", "20200301", "", "", "2.25.12", "2.25.13",
        CT_CLASS, tuple(f"2.25.{100 + k}" for k in range(count)),
    )  # fmt: skip


def voxels(dtype="int16", low=-1024, high=3071):
    return np.random.default_rng(11).integers(low, high, (9, 24, 32)).astype(dtype)


def written(folder, image, **how):
    folder.mkdir(exist_ok=True)
    for name, data in slice_files(image, an_identity(), DAY, **how):
        (folder / name).write_bytes(data)
    return sorted(folder.iterdir())


@pytest.mark.parametrize(
    "affine", [STRAIGHT, OBLIQUE, TILTED], ids=["straight", "oblique", "tilted"]
)
@pytest.mark.parametrize(
    "values",
    [voxels(), voxels("int32", -1024, 60000), voxels("int32", 30000, 95000)],
    ids=["int16", "wide", "wide and high"],
)
def test_each_slice_lies_where_the_store_has_it_with_its_values(tmp_path, affine, values):
    """Slice by slice, for SimpleITK's volume of a tilted stack has no shear."""
    paths = written(tmp_path / "ct", KeptImage(values, affine, KEPT))
    for k, path in enumerate(paths):
        image = SimpleITK.ReadImage(str(path))
        assert (SimpleITK.GetArrayFromImage(image)[0] == values[k]).all()
        for i, j in ((0, 0), (31, 0), (0, 23), (13, 7)):
            place = image.TransformIndexToPhysicalPoint((i, j, 0))
            assert np.allclose(place, (affine @ (i, j, k, 1))[:3], atol=1e-6)


@pytest.mark.parametrize("affine", [STRAIGHT, TILTED], ids=["straight", "tilted"])
def test_the_ledgers_own_intake_reads_the_same_image(tmp_path, affine):
    image = KeptImage(voxels(), affine, KEPT)
    written(tmp_path / "ct", image)
    sink = Array()
    volume = read_series(survey([tmp_path / "ct"]).series_to_read(), sink)
    assert (sink.voxels == image.voxels).all()
    assert np.allclose(volume.affine, affine, atol=1e-9)
    again = {name: volume.attributes[name] for name in KEPT}
    assert again == KEPT
    assert volume.scanned_on == DAY


def test_values_that_sixteen_bits_cannot_hold_are_refused_before_the_first_file():
    image = KeptImage(voxels("int32", -1024, 70000), STRAIGHT, KEPT)
    with pytest.raises(BadInputError, match="more than the 16 bits of a CT slice hold"):
        next(slice_files(image, an_identity(), DAY))


@pytest.mark.parametrize(
    "kept", [KEPT, {}, {**KEPT, "lossy": True}], ids=["all", "nothing kept", "lossy"]
)
def test_every_attribute_is_kept_by_name_or_treated_as_the_table_asks(tmp_path, kept):
    path = written(tmp_path / "ct", KeptImage(voxels(), STRAIGHT, kept), is_looked_through=True)[4]
    found = dcmread(path)
    listed = {tuple(tag): tag for tag in transcription.ALL_TAGS if len(tag) == 2}
    actions = initialize_actions("dicomfields_2026c")
    for element in found:
        tag = (element.tag.group, element.tag.element)
        assert not element.tag.is_private
        if tag not in listed:
            assert element.keyword in KEEP, element.keyword
            continue
        action = actions[tag].__name__
        if element.keyword in DATES:
            assert element.value == "20200301"
        elif element.VR == "UI":
            assert action == "replace_UID"
            assert element.value.startswith("2.25.")
        else:
            assert action in {"empty", "empty_or_replace"}, element.keyword
            is_dummy = element.keyword in {"PatientID", "ContrastBolusAgent"}
            assert is_dummy or not element.value, element.keyword
    assert found.PatientID == "P0123456789ab"
    assert found.file_meta.MediaStorageSOPInstanceUID == found.SOPInstanceUID
    assert not any(found.preamble)
    assert set(found.file_meta.keys()) <= {0x00020000 + n for n in (0, 1, 2, 3, 0x10, 0x12, 0x13)}


def test_another_program_that_takes_identity_out_finds_none(tmp_path):
    """dicom-anonymizer changes identifiers and days again, and takes nothing else away."""
    path = written(tmp_path / "ct", KeptImage(voxels(), STRAIGHT, KEPT))[0]
    before, after = dcmread(path), dcmread(path)
    anonymize_dataset(after, base_rules_gen=lambda: initialize_actions("dicomfields_2026c"))
    changed = {
        element.keyword
        for element in before
        if element.tag not in after or after[element.tag].value != element.value
    }
    assert changed <= {
        "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID",
        "PatientID", "ContrastBolusAgent", *DATES,
        # Empty ones to which it gives an invented value.
        "StudyTime", "ContentTime", "PatientName", "PatientBirthDate", "PatientSex", "StudyID",
        "AccessionNumber", "ReferringPhysicianName",
    }  # fmt: skip


def test_the_files_say_what_was_done_and_by_which_options(tmp_path):
    found = dcmread(written(tmp_path / "ct", KeptImage(voxels(), STRAIGHT, KEPT))[0])
    assert found.PatientIdentityRemoved == "YES"
    assert found.LongitudinalTemporalInformationModified == "MODIFIED"
    codes = [item.CodeValue for item in found.DeidentificationMethodCodeSequence]
    assert codes == ["113100", "113107"]
    assert {item.CodingSchemeDesignator for item in found.DeidentificationMethodCodeSequence} == {
        "DCM"
    }
    assert "PS3.15" in found.DeidentificationMethod[0]
    assert "BurnedInAnnotation" not in found
    looked = dcmread(
        written(tmp_path / "ct2", KeptImage(voxels(), STRAIGHT, KEPT), is_looked_through=True)[0]
    )
    assert looked.BurnedInAnnotation == "NO"


@pytest.mark.parametrize(
    ("kept", "expected"),
    [
        ({"image_type": ["ORIGINAL", "PRIMARY", "AXIAL"]}, "ORIGINAL"),
        ({"image_type": ["ORIGINAL", "PRIMARY", "AXIAL"], "resampled": True}, "DERIVED"),
        ({"image_type": ["DERIVED", "SECONDARY", "AXIAL", "MPR"]}, "DERIVED"),
        ({}, "DERIVED"),
    ],
    ids=["original", "resampled", "derived", "not said"],
)
def test_resampled_voxels_are_called_derived(kept, expected):
    _, data = next(slice_files(KeptImage(voxels(), STRAIGHT, kept), an_identity(), DAY))
    found = dcmread(BytesIO(data))
    assert list(found.ImageType[:3]) == [expected, "PRIMARY", "AXIAL"]


@pytest.mark.parametrize(
    ("kept", "values"),
    [
        (KEPT, voxels()),
        ({}, voxels()),
        ({**KEPT, "contrast": False}, voxels("int32", -1024, 60000)),
        ({"image_type": ["DERIVED", "SECONDARY", "AXIAL", "MPR"], "lossy": True}, voxels()),
    ],
    ids=["all kept", "nothing kept", "wide", "derived and lossy"],
)
def test_the_validator_finds_nothing(tmp_path, kept, values):
    path = written(tmp_path / "ct", KeptImage(values, OBLIQUE, kept))[3]
    assert complaints(path) == []
    assert UID(dcmread(path).SOPInstanceUID).is_valid
