from io import BytesIO
from pathlib import Path

import pydicom
import pytest
from pydicom import uid
from pydicom.data import get_testdata_file

from registry.imaging.kinds import Kind, is_multi_frame, other_than_slice
from registry.imaging.multiframe import frame_headers
from registry.imaging.parsing import read_head
from registry.imaging.sources import SourceFile
from tests.imaging.written_files import a_slice, real_folder


def what_of(path) -> str | None:
    content = Path(path).read_bytes()
    source = SourceFile(str(path), lambda: BytesIO(content))
    head = read_head(source)
    kind = other_than_slice(head.dataset)
    if kind is None and is_multi_frame(head.dataset):
        headers = frame_headers(source, head)
        kind = headers if isinstance(headers, Kind) else None
    return kind.what if kind else None


# Files that come with pydicom; none is fetched.
FILES = [
    ("CT_small.dcm", None),
    ("MR_small.dcm", "MR image"),
    ("emri_small_RLE.dcm", "MR image"),
    ("eCT_Supplemental.dcm", "multi-frame CT, derived map"),
    ("reportsi.dcm", "structured report"),
    ("test-SR.dcm", "structured report"),
    ("SC_rgb_rle.dcm", "secondary capture"),
    ("DICOMDIR", "DICOMDIR"),
    ("rtplan.dcm", "RT Plan Storage"),
    ("dicomdirtests/98892001/CT2N/6293", "localizer"),
    ("dicomdirtests/TINY_ALPHA/PT000000/ST000000/SE000000/IM000000", "CT without an image"),
]
# Files of real scanners, where the environment says they are.
SCANNER_FILES = [
    ("study_plain/S2010/I10", None),
    ("study_plain/S1000/I10", "localizer"),
    ("study_plain/S4010/I10", "secondary capture"),
    ("study_plain/S4010/DIRFILE", "DICOMDIR"),
    ("tilt_uneven/01.dcm", None),
    ("single/eCT_Supplemental.dcm", "multi-frame CT, derived map"),
    ("single/emri_small.dcm", "MR image"),
]
PATHS = [(get_testdata_file(name, download=False), what) for name, what in FILES] + [
    (path, what) for name, what in SCANNER_FILES if (path := real_folder(name)) is not None
]


@pytest.mark.parametrize(("path", "what"), PATHS, ids=[Path(path).name for path, _ in PATHS])
def test_real_files_are_told_apart(path, what):
    assert what_of(path) == what


@pytest.mark.parametrize(
    ("attributes", "what"),
    [
        ({}, None),
        ({"SOPClassUID": uid.SecondaryCaptureImageStorage}, "secondary capture"),
        ({"SOPClassUID": uid.XRayRadiationDoseSRStorage}, "dose report"),
        ({"SOPClassUID": uid.EncapsulatedPDFStorage}, "document (PDF or the like)"),
        (
            {"SOPClassUID": uid.GrayscaleSoftcopyPresentationStateStorage},
            "presentation state",
        ),
        ({"SOPClassUID": uid.KeyObjectSelectionDocumentStorage}, "key object selection"),
        ({"SOPClassUID": uid.EnhancedCTImageStorage}, None),
        ({"SOPClassUID": uid.XRay3DAngiographicImageStorage}, "multi-frame 3D X-ray image"),
        ({"SOPClassUID": "1.2.3.4.5"}, "object of an unknown class"),
        ({"Modality": "PT"}, "image of modality PT"),
        ({"NumberOfFrames": 3}, "CT image of several frames"),
        ({"ImageType": ["ORIGINAL", "PRIMARY", "LOCALIZER"]}, "localizer"),
        ({"ImageType": ["DERIVED", "SECONDARY", "SCREEN SAVE"]}, "rendered picture"),
        ({"BitsAllocated": 8}, "CT image of 8 bits"),
        ({"SamplesPerPixel": 3}, "colour image"),
        (
            {"PhotometricInterpretation": "MONOCHROME1"},
            "CT image in inverted or coloured form",
        ),
        ({"Rows": 60000}, "CT without an image"),
        ({"RescaleSlope": None}, "CT image without a rescale"),
        ({"RescaleType": "MGML"}, "map in MGML"),
        ({"ImagePositionPatient": None}, "CT image without geometry"),
        ({"PixelSpacing": None}, "CT image without geometry"),
    ],
)
def test_what_is_no_slice_of_a_series_is_named(attributes, what):
    kind = other_than_slice(a_slice(**attributes))
    assert (kind.what if kind else None) == what
    assert kind is None or kind.why


def test_a_file_without_a_storage_class_is_named():
    dataset = pydicom.Dataset()
    dataset.Modality = "CT"
    assert other_than_slice(dataset).what == "DICOM without a storage class"
