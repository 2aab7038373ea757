"""Scenes as DICOM files: another library reads the same voxels at the same places."""

from __future__ import annotations

import shutil
import subprocess
from datetime import date

import numpy as np
import pydicom
import pytest
import SimpleITK

from demo_data.scenario.ct.files import PatientIdentity, StudyLabels
from demo_data.scenario.ct.varied.chance import random_scene
from demo_data.scenario.ct.varied.drawing import draw_scene
from demo_data.scenario.ct.varied.files import write_scene

LABELS = StudyLabels(PatientIdentity(), date(2026, 9, 4), date(2026, 9, 1), 5)


@pytest.mark.parametrize(
    "position",
    [
        {"is_prone": True, "roll_deg": 5.0, "is_twelve_bit": True},
        {"is_feet_first": True, "tilt_deg": 6.0, "swing_deg": -3.0, "is_twelve_bit": False},
    ],
    ids=["prone, twelve bits", "feet first, oblique, extended"],
)
def test_another_library_reads_the_same_volume_at_the_same_place(tmp_path, position):
    scene = random_scene(
        5, operated=("L4", "L4"), in_plane_mm=0.7, slice_mm=2.0, slices_run_up=True, **position
    )
    voxels, affine, _ = draw_scene(scene)
    files = write_scene(tmp_path, LABELS, scene.scanner, voxels, affine)
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(list(map(str, files)))
    image = reader.Execute()
    assert np.array_equal(SimpleITK.GetArrayFromImage(image), voxels)
    assert voxels.max() == 3071 if position["is_twelve_bit"] else voxels.max() > 4000
    # The last slice's own file: the toolkit takes k's step from spacing and normal alone.
    first, last = (pydicom.dcmread(files[k], stop_before_pixels=True) for k in (0, -1))
    apart = np.subtract(last.ImagePositionPatient, first.ImagePositionPatient)
    assert apart == pytest.approx(affine[:3, 2] * (len(files) - 1), abs=1e-5)
    for index in ((0, 0, 0), (40, 70, 0), (100, 3, 0)):
        theirs = image.TransformIndexToPhysicalPoint(index)
        assert (affine @ [*index, 1])[:3] == pytest.approx(theirs, abs=1e-4)
    checker = shutil.which("dciodvfy")
    if checker:
        told = subprocess.run([checker, files[3]], capture_output=True, text=True, check=False)
        assert "Error" not in told.stdout + told.stderr
