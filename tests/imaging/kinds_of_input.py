"""Kinds of input as a hospital sends them, each written into a folder by the tests."""

from __future__ import annotations

import math
import subprocess
from typing import TYPE_CHECKING

import numpy as np
from pydicom import dcmread
from pydicom.uid import (
    JPEG2000,
    UID,
    HTJ2KLossless,
    JPEG2000Lossless,
    JPEGLSLossless,
    XRay3DAngiographicImageStorage,
)

from tests.imaging.multi_frame_files import enhanced, item, legacy_converted, packed, whole
from tests.imaging.written_files import (
    a_slice,
    deflated_bomb,
    real_folder,
    slices,
    stored_values,
    write,
)

if TYPE_CHECKING:
    from pathlib import Path

_COSINE, _SINE = math.cos(math.radians(18.5)), math.sin(math.radians(18.5))


def series(count: int = 9, **rest):
    """Write a plain series with changed attributes."""
    return lambda folder: write(slices(count, **rest), folder)


def in_syntax(syntax: UID, **rest):
    """Write a series in a transfer syntax, by pydicom or, compressed, by GDCM."""
    return lambda folder: write(slices(8, **rest), folder, syntax)


def by_dcmtk(*command: str, **rest):
    """Write a series and have one of dcmtk's tools pack or turn each file."""

    def make(folder: Path):
        for path in write(slices(8, **rest), folder):
            packed_file = path.with_suffix(".packed")
            subprocess.run([*command, path, packed_file], check=True, capture_output=True)
            packed_file.replace(path)

    return make


def twelve_bits():
    """Return what makes a slice of 12 unsigned bits, as most scanners write it."""
    values = (stored_values(0).astype(np.int32) % 4096).astype(np.uint16)
    return {"values": values, "BitsStored": 12, "HighBit": 11}


def with_lossy_jpeg_2000(folder: Path):
    """Write JPEG 2000 under the syntax that may be lossy; the frames themselves are reversible."""
    write(slices(8), folder, JPEG2000Lossless)
    _rename_syntax(folder, JPEG2000)


def with_htj2k(folder: Path):
    """Write files that say HTJ2K; nothing here unpacks it, so what they hold is not looked at."""
    write(slices(8), folder, JPEG2000Lossless)
    _rename_syntax(folder, HTJ2KLossless)


def _rename_syntax(folder: Path, syntax: UID):
    for path in folder.iterdir():
        dataset = dcmread(path)
        dataset.file_meta.TransferSyntaxUID = syntax
        dataset.save_as(path)


def turned(degrees: float):
    """Write a stack turned about the patient's left-right axis, its step along its normal."""
    a = math.radians(degrees)
    return series(
        orientation=(1, 0, 0, 0, math.cos(a), math.sin(a)),
        step=(0, -0.8 * math.sin(a), 0.8 * math.cos(a)),
    )


def tilted(tag: float):
    """Write a stack of a tilted gantry: planes turned, table along z; the tag has either sign."""
    return series(
        orientation=(1, 0, 0, 0, _COSINE, -_SINE), step=(0, 0, 1.0), GantryDetectorTilt=tag
    )


def at(depths, **rest):
    """Write slices at these depths."""
    return lambda folder: write(
        [a_slice(k, position=(-100, -90, z), **rest) for k, z in enumerate(depths)], folder
    )


def twice(folder: Path):
    write(slices(9), folder / "first")
    again = slices(9, AcquisitionNumber=2)
    for dataset in again:
        dataset.SOPInstanceUID += ".2"
    write(again, folder / "again")


def with_own_rescales(folder: Path):
    made = slices(9)
    for k, dataset in enumerate(made):
        dataset.RescaleSlope, dataset.RescaleIntercept = 1 + k, -1000 + 10 * k
    write(made, folder)


def with_half_slope(folder: Path):
    write(slices(9, RescaleSlope="0.5", RescaleIntercept="-1024.5"), folder)


def with_padding(folder: Path):
    made = []
    for k in range(9):
        values = stored_values(k)
        values[:, :6] = np.array([-2000, -1999, -1995, -1992, -1991, -1990])
        made.append(a_slice(k, position=(0, 0, k), values=values))
    for dataset in made:
        dataset.add_new("PixelPaddingValue", "SS", -2000)
        dataset.add_new("PixelPaddingRangeLimit", "SS", -1990)
    write(made, folder)


def with_metal(folder: Path):
    made = slices(9)
    for dataset in made[4:]:
        dataset.RescaleSlope = 30
    write(made, folder)


def one_file(make):
    """Write a multi-frame image of nine slices."""

    def write_it(folder: Path):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "frames.dcm").write_bytes(make(slices(9)))

    return write_it


def as_enhanced(made):
    return whole(enhanced(made))


def as_legacy(made):
    return whole(legacy_converted(made))


def as_packed(made):
    return packed(enhanced(made), made, JPEGLSLossless)


def as_perfusion(made):
    words = ["DERIVED", "PRIMARY", "PERFUSION", "RCBF"]
    return whole(enhanced(made, shared={"CTImageFrameTypeSequence": [item(FrameType=words)]}))


def as_absurd(made):
    image = enhanced(made)
    image.NumberOfFrames = 2_000_000_000
    return whole(image)


def as_3d_x_ray(made):
    image = enhanced(made)
    image.SOPClassUID = image.file_meta.MediaStorageSOPClassUID = XRay3DAngiographicImageStorage
    return whole(image)


def a_whole_study(folder: Path):
    """Write two scouts, soft and bone kernels, thick slices, reformats, a picture, a report."""
    write(
        [
            a_slice(k, series=1, ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"], SeriesNumber=1)
            for k in range(2)
        ],
        folder / "scout",
    )
    write(slices(9, series=2, ConvolutionKernel="SOFT", SeriesNumber=2), folder / "soft")
    write(slices(9, series=3, SeriesNumber=3), folder / "bone")
    write(slices(9, series=4, step=(0, 0, 3.0), SeriesNumber=4), folder / "thick")
    write(
        slices(9, series=5, orientation=(0, 1, 0, 0, 0, -1), step=(0.8, 0, 0), SeriesNumber=5),
        folder / "sagittal",
    )
    write([a_slice(0, series=6, SOPClassUID="1.2.840.10008.5.1.4.1.1.7")], folder / "picture")
    write([a_slice(0, series=7, SOPClassUID="1.2.840.10008.5.1.4.1.1.88.67")], folder / "report")
    (folder / "AUTORUN.INF").write_text("[autorun]\nopen=viewer.exe\n" * 20)


def of_class(uid: str, **rest):
    return series(9, SOPClassUID=uid, **rest)


def of_two_patients(folder: Path):
    made = slices(9)
    for dataset in made[5:]:
        dataset.PatientID = "INV-0002"
    write(made, folder)


def of_two_studies(folder: Path):
    write(slices(9, study=1), folder / "one")
    write(slices(9, study=2), folder / "two")


def cut_short(folder: Path):
    path = write(slices(9), folder)[4]
    path.write_bytes(path.read_bytes()[:-200])


def a_bomb(folder: Path):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "bomb").write_bytes(deflated_bomb(100 << 20))


def a_real_series(*parts: str, keep=lambda _path: True):
    """Copy a real scanner's series, where the environment says it is."""

    def make(folder: Path):
        folder.mkdir(parents=True, exist_ok=True)
        source = real_folder("/".join(parts))
        assert source is not None
        for path in source.iterdir():
            if keep(path):
                (folder / path.name).write_bytes(path.read_bytes())

    return make
