import json
import re

import pytest
from pydicom import Dataset
from pydicom.datadict import DicomDictionary, repeater_has_tag
from pydicom.sequence import Sequence
from pydicom.tag import Tag
from pydicom.uid import ExplicitVRLittleEndian

from registry.imaging.identity import identity_of, kept_image_type, kept_kvp, kept_words
from registry.imaging.intake import read_series, survey
from registry.store.images import ImageStore
from tests.imaging.written_files import a_slice, slices, write

# What the reading itself needs, and what PS3.15 Table E.1-1 does not list and the ledger keeps
# (interoperability note, section 2, "not in the table, keep").
NEEDED = {
    "SOPClassUID", "Modality", "NumberOfFrames", "ImageType", "BurnedInAnnotation", "Rows",
    "Columns", "SamplesPerPixel", "PhotometricInterpretation", "BitsAllocated", "BitsStored",
    "HighBit", "PixelRepresentation", "RescaleSlope", "RescaleIntercept", "RescaleType",
    "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SeriesInstanceUID",
    "SOPInstanceUID", "StudyInstanceUID", "FrameOfReferenceUID", "PatientID",
    "SpecificCharacterSet", "AcquisitionNumber", "InstanceNumber", "SliceThickness", "KVP",
    "AcquisitionDate", "LossyImageCompression", "PixelPaddingValue", "PixelPaddingRangeLimit",
}  # fmt: skip
KEPT = {
    "Manufacturer", "ManufacturerModelName", "ConvolutionKernel", "BodyPartExamined",
    "PatientPosition",
}  # fmt: skip
TEXT = {"AE", "LO", "LT", "PN", "SH", "ST", "UC", "UR", "UT"}


def planted_value(vr: str, number: int) -> str | None:
    token = f"Q{number:05d}Z"
    if vr in TEXT:
        return token
    if vr == "CS":
        return token
    if vr == "UI":
        return f"1.2.99{number:05d}99"
    if vr == "DA":
        return "19010203"
    if vr == "DT":
        return "19010203040506"
    return "Q070Y" if vr == "AS" else None


TOKEN = re.compile(r"Q\d{5}Z|1\.2\.99\d{5}99|19010203|1901-02-03|Q070Y|Planted|HIDDEN")


def plant(dataset: Dataset) -> int:
    """Put a token into every attribute of the dictionary that holds text, identifiers or days."""
    count = 0
    for number, (tag, entry) in enumerate(sorted(DicomDictionary.items())):
        vr, keyword = entry[0], entry[4]
        if keyword in NEEDED | KEPT or Tag(tag).group in {0x0000, 0x0002} or repeater_has_tag(tag):
            continue
        value = planted_value(vr, number)
        if value is not None:
            dataset.add_new(tag, vr, value)
            count += 1
    inner = Dataset()
    inner.PatientName = "HIDDEN^Planted"
    inner.ReferencedSOPInstanceUID = "1.2.990000199"
    dataset.RequestAttributesSequence = Sequence([inner])
    block = dataset.private_block(0x0011, "HIDDEN", create=True)
    block.add_new(1, "LO", "HIDDEN")
    return count


@pytest.mark.filterwarnings("ignore:.*:UserWarning:pydicom")
def test_no_planted_identifier_reaches_the_image_or_what_is_kept_with_it(tmp_path):
    made = slices(9)
    counts = [plant(dataset) for dataset in made]
    assert min(counts) > 1500
    for dataset in made:
        dataset.PatientID = "HIDDEN-1"
        dataset.preamble = b"HIDDEN".ljust(128, b"\0")
    write(made, tmp_path / "HIDDEN folder", ExplicitVRLittleEndian, prefix="HIDDEN")
    store = ImageStore(tmp_path / "images")
    chosen = survey([tmp_path / "HIDDEN folder"]).series_to_read()
    with store.writer() as writer:
        volume = read_series(chosen, writer)
        digest = writer.seal(volume.affine, volume.attributes)
    assert volume.identity.patient_id == "HIDDEN-1"
    assert TOKEN.search(json.dumps(volume.identity.document()))
    kept = json.dumps(volume.attributes) + repr(volume) + digest
    assert not TOKEN.search(kept)
    for path in (tmp_path / "images").iterdir():
        content = path.read_bytes()
        for token in (b"HIDDEN", b"Planted", b"19010203", b"1.2.826", b"1.2.99", b"INV-"):
            assert token not in content
        assert not re.search(rb"Q\d{5}Z", content)


def test_the_identity_holds_what_the_vault_needs_and_shows_nothing():
    dataset = a_slice(StudyTime="101112", StudyID="S-5", ReferringPhysicianName="Ref^Doc")
    identity = identity_of(dataset, [])
    assert identity.patient_name == "Invented^Person"
    assert (identity.accession, identity.study_date) == ("ACC-77", "20260301")
    assert repr(identity) == str(identity) == "ScanIdentity(not shown)"
    assert json.loads(json.dumps(identity.document()))["study_id"] == "S-5"


@pytest.mark.parametrize(
    "attributes",
    [
        {"Manufacturer": "made for INVENTED"},
        {"ManufacturerModelName": "inv-0001"},
        {"ConvolutionKernel": "ACC-77"},
        {"BodyPartExamined": "PERSON"},
        {"PatientPosition": "PERSON"},
    ],
    ids=lambda each: next(iter(each)),
)
def test_a_kept_text_that_repeats_an_identifier_is_dropped(attributes):
    dataset = a_slice(**attributes)
    words = kept_words(dataset, identity_of(dataset, []))
    kept = " ".join(words.values()).casefold()
    assert not any(value.casefold() in kept for value in attributes.values())
    assert len(words) >= 3


@pytest.mark.parametrize(
    ("attributes", "kept"),
    [
        ({"Manufacturer": "Works of Nowhere, Ltd."}, "Works of Nowhere, Ltd."),
        ({"ManufacturerModelName": "Slicer CT750 HD+"}, "Slicer CT750 HD+"),
        ({"ConvolutionKernel": ["Br64h", "3"]}, "Br64h/3"),
        ({"BodyPartExamined": "lspine"}, "LSPINE"),
        ({"PatientPosition": "FFDL"}, "FFDL"),
        ({"ManufacturerModelName": "scanner 1960-01-02"}, None),
        ({"ManufacturerModelName": "unit 4711234"}, None),
        ({"Manufacturer": "Works of Nowhere " * 3}, None),
        ({"Manufacturer": "someone@clinic.invalid"}, None),
        ({"Manufacturer": "Works\r\nof nowhere"}, None),
        ({"ConvolutionKernel": "BONE=<script>"}, None),
        ({"BodyPartExamined": "MRS SMITH"}, None),
        ({"PatientPosition": "HFX"}, None),
        ({"Manufacturer": "Ng Works", "PatientName": "Ng^Ay"}, None),
        ({"Manufacturer": "Engineering", "PatientName": "Ng^Ay"}, "Engineering"),
        ({"Manufacturer": "made by Muller", "OperatorsName": "M\xfcller^Jo"}, None),
        ({"ManufacturerModelName": "for Elmstreet", "PatientAddress": "Elmstreet 5"}, None),
        ({"ManufacturerModelName": "SN-77X", "DeviceSerialNumber": "SN-77X"}, None),
    ],
    ids=lambda each: next(iter(each.values())) if isinstance(each, dict) else "",
)
@pytest.mark.filterwarnings("ignore:.*:UserWarning:pydicom")
def test_only_a_products_own_words_and_terms_of_the_standard_are_kept(attributes, kept):
    dataset = a_slice(SpecificCharacterSet="ISO_IR 100", **attributes)
    names = {
        "Manufacturer": "manufacturer",
        "ManufacturerModelName": "model",
        "ConvolutionKernel": "kernel",
        "BodyPartExamined": "body_part",
        "PatientPosition": "patient_position",
    }
    words = kept_words(dataset, identity_of(dataset, []))
    assert words.get(names[next(iter(attributes))]) == kept


def test_an_image_types_own_words_of_a_maker_are_not_kept():
    identity = identity_of(a_slice(), [])
    given = ["ORIGINAL", "PRIMARY", "AXIAL", "CT_MAKERS 7", "INV-0001", "MPR"]
    assert kept_image_type(given, identity) == ["ORIGINAL", "PRIMARY", "AXIAL", "MPR"]


@pytest.mark.parametrize(
    ("given", "kept"), [(120, 120.0), (None, None), (0, None), (4711234, None)], ids=str
)
def test_the_tubes_voltage_is_a_voltage_or_is_not_kept(given, kept):
    assert kept_kvp(a_slice(KVP=given)) == kept
