"""The drawn study's DICOM files: valid, readable by others, named like a patient's, truth-free."""

from __future__ import annotations

import shutil
import subprocess

import numpy as np
import pydicom
import pytest
import SimpleITK

from demo_data.scenario.ct.study import drawn_screws, volume
from tests.build.drawn_study import IDENTITY, SEED, as_said, draw_into, drawn_study


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Give what drawing the study said."""
    return as_said(drawn_study(tmp_path_factory))


@pytest.fixture(scope="module")
def voxels(tmp_path_factory):
    """Give the voxels that were drawn, as they were before they were written."""
    return np.load(drawn_study(tmp_path_factory) / "voxels.npy")


def test_an_independent_checker_of_dicom_files_finds_no_error(study):
    """The standard's modules as dicom3tools reads them; only where that is installed."""
    checker = shutil.which("dciodvfy")
    for path in (study.files[0], study.files[120], study.files[-2], study.files[-1]):
        assert pydicom.dcmread(path).SOPInstanceUID
        if checker:
            told = subprocess.run([checker, path], capture_output=True, text=True, check=False)
            assert "Error" not in told.stdout + told.stderr, path.name


def test_another_library_reads_the_same_volume_at_the_same_place(study, voxels):
    folder = study.files[0].parent
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    image = reader.Execute()
    array = SimpleITK.GetArrayFromImage(image)
    assert array.shape == study.shape
    assert np.array_equal(array, voxels)
    for index in ((0, 0, 0), (383, 383, 236), (17, 250, 101)):
        ours = study.affine @ [index[2], index[1], index[0], 1]
        theirs = image.TransformIndexToPhysicalPoint(index)
        assert ours[:3] == pytest.approx(theirs, abs=0.02)


def test_slices_are_written_from_cranial_to_caudal_a_millimetre_apart(study):
    heads = [pydicom.dcmread(path, stop_before_pixels=True) for path in study.files[:-2]]
    heights = [float(head.ImagePositionPatient[2]) for head in heads]
    assert np.diff(heights) == pytest.approx(-1.0)
    assert [head.InstanceNumber for head in heads] == list(range(1, len(heads) + 1))
    assert len({head.SOPInstanceUID for head in heads}) == len(heads)
    assert len({head.SeriesInstanceUID for head in heads}) == 1
    assert {head.PatientPosition for head in heads} == {"HFS"}


def test_a_localizer_and_a_secondary_capture_lie_beside_the_axial_series(study):
    scout, capture = (pydicom.dcmread(path) for path in study.files[-2:])
    assert scout.ImageType[2] == "LOCALIZER"
    assert scout.SOPClassUID == pydicom.uid.CTImageStorage
    assert capture.SOPClassUID == pydicom.uid.SecondaryCaptureImageStorage
    assert capture.Modality == "CT"
    axial = pydicom.dcmread(study.files[0], stop_before_pixels=True)
    assert len({axial.SeriesInstanceUID, scout.SeriesInstanceUID, capture.SeriesInstanceUID}) == 3
    assert axial.StudyInstanceUID == scout.StudyInstanceUID == capture.StudyInstanceUID
    assert scout.pixel_array.std() > 20
    assert capture.pixel_array.max() == 255


def test_every_file_carries_the_whole_invented_identity(study):
    for path in (study.files[0], *study.files[-2:]):
        content = path.read_bytes()
        for planted in (
            IDENTITY.name,
            IDENTITY.patient_id,
            IDENTITY.accession,
            IDENTITY.institution,
            IDENTITY.referring_physician,
            IDENTITY.operator,
            IDENTITY.comment,
            IDENTITY.birth_date.strftime("%Y%m%d"),
        ):
            assert planted.encode() in content


def test_no_file_tells_where_the_screws_are_or_how_far_they_stand_out(study):
    for path in (study.files[0], study.files[120], *study.files[-2:]):
        head = str(pydicom.dcmread(path, stop_before_pixels=True))
        words = ("medial", "lateral", "cranial", "caudal", "screw", "entry", "breach", "extent")
        assert not [word for word in words if word in head.lower()]
        for screw in study.screws:
            for number in (*screw.entry_mm, *screw.tip_mm):
                assert f"{number:.3f}" not in head


def test_the_same_seed_and_identity_write_the_same_bytes(study, voxels, tmp_path, monkeypatch):
    # The whole takes ten seconds to draw; below a part of it is drawn a second time.
    monkeypatch.setattr("demo_data.scenario.ct.study.draw_volume", lambda *_: voxels)
    drawn_screws.cache_clear()
    again = draw_into(tmp_path)
    assert again.screws == study.screws
    for first, second in zip(study.files, again.files, strict=True):
        assert first.name == second.name
        assert first.read_bytes() == second.read_bytes()


def test_the_same_seed_draws_the_same_voxels():
    coarse = {"levels": ("L4",), "spacing_mm": (0.9, 2.0)}
    (first, affine), (again, affine_again) = (volume(SEED, **coarse) for _ in range(2))
    assert np.array_equal(first, again)
    assert np.array_equal(affine, affine_again)
    assert not np.array_equal(first, volume(SEED + 1, **coarse)[0])
