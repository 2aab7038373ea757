"""What comes from a hospital, and what the ledger does with it and says: a table to read.

Each row: the kind of input, how it is written, and the words said. Of what is read, ten voxels
(seeded) are judged by SimpleITK, which decodes, rescales and places by itself: patient position
within 0.01 mm, value equal. It judges

- `series`: by its own series reader over the folder, as one volume;
- `slices`: by reading each file alone, where its series reader cannot express the stack: it makes
  no sheared affine (tilt), keeps duplicates, and takes uneven steps for even ones. A resampled
  plane is judged by its two slices, mixed in proportion to their distance and rounded;
- `file`: by reading the one multi-frame file.

Padding is left out of the ten: SimpleITK keeps the stored value, the ledger sets air.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import SimpleITK
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
)

from registry.domain.problems import BadInputError
from registry.imaging.intake import read_series, survey
from tests.imaging import kinds_of_input as kinds
from tests.imaging.written_files import Array, real_folder

if TYPE_CHECKING:
    from pathlib import Path

LOSSY = "lossy compression: values are not all the scanner's own"
TILTED = "slices are stacked at 18.5 degrees to their own plane; geometry follows their positions"
THICK = "small breaches can hide"
PICTURE = "a picture of a screen or of another image"
NOT_CT = "it is no CT image"
NOT_UNPACKED = "that form is not unpacked here; have it sent uncompressed or losslessly compressed"

READ = [
    # kind of input, how it is written, judged by, what is said (each word must stand there)
    ("thin axial, implicit little endian", kinds.in_syntax(ImplicitVRLittleEndian), "series", []),
    ("thin axial, explicit little endian", kinds.in_syntax(ExplicitVRLittleEndian), "series", []),
    ("big endian, by dcmtk", kinds.by_dcmtk("dcmconv", "+tb"), "series", []),
    ("deflated, by dcmtk", kinds.by_dcmtk("dcmconv", "+td"), "series", []),
    ("deflated, by pydicom", kinds.in_syntax(DeflatedExplicitVRLittleEndian), "series", []),
    ("RLE, by dcmtk", kinds.by_dcmtk("dcmcrle"), "series", []),
    ("JPEG lossless, by dcmtk", kinds.by_dcmtk("dcmcjpeg", "+el"), "series", []),
    ("JPEG lossless SV1, by dcmtk", kinds.by_dcmtk("dcmcjpeg", "+e1"), "series", []),
    ("JPEG-LS, by dcmtk", kinds.by_dcmtk("dcmcjpls", "+el"), "series", []),
    ("JPEG-LS near lossless, by dcmtk", kinds.by_dcmtk("dcmcjpls", "+en", **kinds.twelve_bits()),
     "series", [LOSSY]),
    ("JPEG 2000 lossless, by GDCM", kinds.in_syntax(JPEG2000Lossless), "series", []),
    ("JPEG 2000 that may be lossy", kinds.with_lossy_jpeg_2000, "series", [LOSSY]),
    ("once lossy, now plain", kinds.series(LossyImageCompression="01"), "series", [LOSSY]),
    ("12 bits unsigned", kinds.series(**kinds.twelve_bits()), "series", []),
    ("prone", kinds.series(orientation=(-1, 0, 0, 0, -1, 0), PatientPosition="HFP"), "series", []),
    (
        "feet first",
        kinds.series(orientation=(-1, 0, 0, 0, 1, 0), PatientPosition="FFS"),
        "series",
        [],
    ),
    (
        "on the right side",
        kinds.series(orientation=(0, -1, 0, 1, 0, 0), PatientPosition="HFDR"),
        "series",
        [],
    ),
    (
        "feet first on the left side",
        kinds.series(orientation=(0, -1, 0, -1, 0, 0), PatientPosition="FFDL"),
        "series",
        [],
    ),
    ("oblique by 20 degrees", kinds.turned(20), "series", []),
    ("tilted gantry", kinds.tilted(18.5), "slices", [TILTED]),
    ("tilted gantry, tag of the other sign", kinds.tilted(-18.5), "slices", [TILTED]),
    ("pixels that are not square", kinds.series(spacing=(0.7, 0.3)), "series", []),
    ("each slice twice", kinds.twice, "slices", ["9 slices lay at the place of another"]),
    (
        "one slice missing",
        kinds.at([0, 0.8, 1.6, 2.4, 4.0, 4.8, 5.6, 6.4, 7.2]),
        "slices",
        ["uneven slices, up to 1.60 mm apart (z 2.4 to 4.0 mm): resampled", "onto 0.80 mm"],
    ),
    (
        "variable spacing",
        kinds.at([0, 0.6, 1.2, 1.8, 2.4, 3.4, 4.4, 5.4, 6.4, 7.4]),
        "slices",
        ["uneven slices, up to 1.00 mm apart", "onto 0.62 mm by linear interpolation"],
    ),
    ("steps rounded to a hundredth", kinds.at([0, 0.62, 1.25, 1.88, 2.5, 3.12, 3.75, 4.38]),
     "slices", []),
    ("thick slices", kinds.series(step=(0, 0, 3.0)), "series", ["thick slices: 3.00 mm", THICK]),
    ("each slice its own rescale", kinds.with_own_rescales, "slices", []),
    ("padding with a range", kinds.with_padding, "series", []),
    ("metal beyond 16 bits", kinds.with_metal, "slices", []),
    (
        "derived, no original there",
        kinds.series(ImageType=["DERIVED", "SECONDARY", "AXIAL"]),
        "series",
        ["derived images: no original series was there to read"],
    ),
    ("enhanced multi-frame", kinds.one_file(kinds.as_enhanced), "file", []),
    ("legacy converted multi-frame", kinds.one_file(kinds.as_legacy), "file", []),
    ("enhanced multi-frame, JPEG-LS", kinds.one_file(kinds.as_packed), "file", []),
]  # fmt: skip
if real_folder("study_plain") is not None:
    READ += [
        ("a scanner's study", kinds.a_real_series("study_plain", "S2010"), "series", [THICK]),
        (
            "a scanner's tilted series",
            kinds.a_real_series(
                "tilt_other_sign", keep=lambda p: p.name.startswith("I") and int(p.name[1:]) >= 100
            ),
            "slices",
            [TILTED, THICK],
        ),
    ]

LEFT_OUT = [
    # kind of input, how it is written, what is said
    ("localizer alone", kinds.series(ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"]),
     "localizer, left out: a projection, not a slice"),
    ("secondary capture", kinds.of_class("1.2.840.10008.5.1.4.1.1.7"), PICTURE),
    ("picture of a screen", kinds.series(ImageType=["DERIVED", "SECONDARY", "SCREEN SAVE"]),
     "rendered picture, left out: its values are not those of a slice"),
    ("announced burned-in text", kinds.series(BurnedInAnnotation="YES"),
     "its header announces burned-in text, which may name the patient"),
    ("8 bits", kinds.series(BitsAllocated=8), "CT image of 8 bits, left out: Hounsfield units"),
    ("dose report", kinds.of_class("1.2.840.10008.5.1.4.1.1.88.67"),
     f"dose report, left out: {NOT_CT}"),
    ("MR", kinds.of_class("1.2.840.10008.5.1.4.1.1.4", Modality="MR"),
     f"MR image, left out: {NOT_CT}"),
    ("document", kinds.of_class("1.2.840.10008.5.1.4.1.1.104.1"),
     f"(PDF or the like), left out: {NOT_CT}"),
    ("3D X-ray of the theatre", kinds.one_file(kinds.as_3d_x_ray),
     "multi-frame 3D X-ray image, left out: its values are not Hounsfield units"),
    ("perfusion map, multi-frame", kinds.one_file(kinds.as_perfusion),
     "multi-frame CT, derived map, left out: frame 1: its values are not Hounsfield units"),
    ("map of a contrast agent", kinds.series(RescaleType="MGML"), "map in MGML"),
    ("no rescale", kinds.series(RescaleSlope=None), "its Hounsfield units cannot be told"),
    ("sagittal reformat", kinds.series(orientation=(0, 1, 0, 0, 0, -1), step=(0.8, 0, 0)),
     "it is sagittal; an axial series is read"),
    ("oblique by 45 degrees", kinds.turned(45), "it is oblique; an axial series is read"),
    ("a gap", kinds.at([*(0.8 * k for k in range(8)), 9.0, 9.8]),
     "3.40 mm between slices 8 and 9 (z 5.6 to 9.0 mm); a screw that lies there could not be read"),
    ("uneven and thick", kinds.at([*(4.0 * k for k in range(8)), 35.2]),
     "the slices step by 4.00 mm, but 7.20 mm between slices 8 and 9 (z 28.0 to 35.2 mm)"),
    ("three slices", kinds.series(3), "too few slices: 3, at least 8 are needed"),
    ("two patients in one series", kinds.of_two_patients,
     "its slices carry different patient identifiers"),
    ("two studies", kinds.of_two_studies, "more than one study lies here: load each by itself"),
    ("JPEG baseline of 8 bits, by dcmtk", kinds.by_dcmtk("dcmcjpeg", "+eb"),
     "CT image of 8 bits, left out: Hounsfield units need 16"),
    ("JPEG extended of 12 bits, by dcmtk",
     kinds.by_dcmtk("dcmcjpeg", "+ee", "+bt", **kinds.twelve_bits()), NOT_UNPACKED),
    ("HTJ2K", kinds.with_htj2k, NOT_UNPACKED),
    ("one slice cut short", kinds.cut_short, "slice004.dcm: its pixel data are cut short"),
    ("deflated bomb", kinds.a_bomb, "it unpacks to more than 64 MiB"),
    ("multi-frame of absurd number", kinds.one_file(kinds.as_absurd),
     "it announces 2000000000 frames; 1 to 5000 are read"),
]  # fmt: skip
if real_folder("tilt_uneven") is not None:
    LEFT_OUT += [
        ("a scanner's uneven series", kinds.a_real_series("tilt_uneven"),
         "the slices step by 4.00 mm, but 7.00 mm between slices 15 and 16 (z 61.8 to 69.2 mm)"),
        ("a scanner's three oblique slices", kinds.a_real_series("oblique"), "too few slices: 3"),
        ("a scanner's perfusion maps", kinds.a_real_series("single"), "derived map"),
    ]  # fmt: skip

KINDS = len(READ) + len(LEFT_OUT)
assert KINDS >= 30


@pytest.mark.parametrize(
    ("make", "judge", "said"),
    [pytest.param(*rest, id=kind) for kind, *rest in READ],
)
def test_what_is_read_lies_and_weighs_as_simpleitk_says(tmp_path, make, judge, said):
    make(tmp_path / "study")
    sink = Array()
    volume = read_series(survey([tmp_path / "study"]).series_to_read(), sink)
    assert bool(volume.warnings) == bool(said)
    for words in said:
        assert words in " | ".join(volume.warnings)
    theirs = JUDGES[judge](tmp_path / "study")
    rng = np.random.default_rng(20)
    for _ in range(10):
        k, j, i = (int(rng.integers(0, n)) for n in volume.shape)
        i = max(i, FIRST_UNPADDED_COLUMN)
        ours_mm = volume.affine[:3] @ [i, j, k, 1]
        theirs_mm, value = theirs(ours_mm, i, j)
        assert np.linalg.norm(ours_mm - theirs_mm) < 0.01
        assert sink.voxels[k, j, i] == value


@pytest.mark.parametrize(
    ("make", "said"), [pytest.param(*rest, id=kind) for kind, *rest in LEFT_OUT]
)
def test_what_is_left_out_is_said_in_words(tmp_path, make, said):
    make(tmp_path / "study")
    with pytest.raises(BadInputError) as refused:
        read_series(survey([tmp_path / "study"]).series_to_read(), Array())
    assert said in " ".join(refused.value.lines())
    assert "INV-000" not in str(refused.value)


def test_of_a_whole_study_each_series_is_named_and_the_fine_bone_one_taken(tmp_path):
    kinds.a_whole_study(tmp_path)
    found = survey([tmp_path])
    assert {each.kind.value: each.is_readable for each in found.listing} == {
        "localizer": False,
        "axial, thin, soft kernel": True,
        "axial, thin, bone kernel": True,
        "axial, thick": True,
        "reformat": False,
        "picture": False,
        "report": False,
    }
    taken = found.series_to_read()
    assert taken.summary.kind.value == "axial, thin, bone kernel"
    assert {each.what: each.why for each in found.left_out_beside(taken)} == {
        "axial CT series of 9 slices 0.80 mm apart, kernel SOFT": (
            "its kernel is softer than that of the one taken"
        ),
        "axial CT series of 9 slices 3.00 mm apart, kernel BONE": (
            "its slices are further apart than those of the one taken"
        ),
        "sagittal CT series of 9 slices 0.80 mm apart, kernel BONE": (
            "it is sagittal; an axial series is read"
        ),
        "localizer": "a projection, not a slice",
        "secondary capture": f"{PICTURE}, whatever its modality",
        "dose report": NOT_CT,
        "not DICOM": "it has no DICOM header",
    }


FIRST_UNPADDED_COLUMN = 6


def by_series(folder: Path):
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    return _of_image(reader.Execute())


def by_file(folder: Path):
    (path,) = folder.iterdir()
    return _of_image(SimpleITK.ReadImage(str(path)))


def _of_image(image):
    def theirs(place_mm, _i, _j):
        index = image.TransformPhysicalPointToIndex(place_mm.tolist())
        return np.array(image.TransformIndexToPhysicalPoint(index)), image.GetPixel(*index)

    return theirs


def by_slices(folder: Path):
    images = [SimpleITK.ReadImage(str(path)) for path in folder.rglob("*") if path.is_file()]
    normal = np.array(images[0].GetDirection()).reshape(3, 3)[:, 2]

    def theirs(place_mm, i, j):
        found = sorted(
            (float(normal @ (place_mm - np.array(point))), point, image.GetPixel(i, j, 0))
            for image in images
            for point in [image.TransformIndexToPhysicalPoint((i, j, 0))]
        )
        nearest = min(found, key=lambda one: abs(one[0]))
        if abs(nearest[0]) < 0.01:
            return np.array(nearest[1]), nearest[2]
        above, below = max(f for f in found if f[0] < 0), min(f for f in found if f[0] > 0)
        share = below[0] / (below[0] - above[0])
        mixed_mm = np.array(below[1]) * (1 - share) + np.array(above[1]) * share
        return mixed_mm, round(below[2] * (1 - share) + above[2] * share)

    return theirs


JUDGES = {"series": by_series, "slices": by_slices, "file": by_file}
