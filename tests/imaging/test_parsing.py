import resource
import time
from io import BytesIO

import pytest
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from registry.imaging.parsing import UnreadableError, read_header, read_whole
from registry.imaging.sources import SourceFile
from tests.imaging.written_files import UNCOMPRESSED, a_slice, deflated_bomb, encoded, meta_end


def source(content: bytes) -> SourceFile:
    return SourceFile("test", lambda: BytesIO(content))


@pytest.mark.parametrize("syntax", UNCOMPRESSED, ids=lambda uid: uid.name)
def test_a_header_is_read_without_its_pixels_in_every_plain_syntax(syntax):
    dataset = read_header(source(encoded(a_slice(), syntax)))
    assert dataset.PatientID == "INV-0001"
    assert "PixelData" not in dataset
    assert "PixelData" in read_whole(source(encoded(a_slice(), syntax)))


@pytest.mark.parametrize(
    "syntax", [ImplicitVRLittleEndian, ExplicitVRLittleEndian], ids=lambda uid: uid.name
)
@pytest.mark.parametrize("with_meta", [True, False])
def test_a_file_without_preamble_is_read_when_it_really_is_dicom(syntax, with_meta):
    content = encoded(a_slice(), syntax)
    bare = source(content[132 if with_meta else meta_end(content) :])
    assert read_header(bare).PatientID == "INV-0001"
    assert read_whole(bare).pixel_array.shape == (24, 32)


def test_a_deflated_bomb_is_refused_before_it_is_parsed():
    # interoperability note, section 4: 408 kB grew to 870 MB, pixels or not
    content = deflated_bomb(400 << 20)
    assert len(content) < 500_000
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began = time.process_time()
    for read in (read_header, read_whole):
        for bytes_given in (content, content[132:]):
            with pytest.raises(UnreadableError, match="unpacks to more than 64 MiB"):
                read(source(bytes_given))
    grown_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown_kib < 200 * 1024
    assert time.process_time() - began < 20


def test_a_deflated_file_that_ends_too_early_is_damaged():
    content = encoded(a_slice(), DeflatedExplicitVRLittleEndian)
    with pytest.raises(UnreadableError, match="ends too early"):
        read_header(source(content[:-200]))


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "not DICOM"),
        (b"hello" * 100, "not DICOM"),
        (b"\x08\x00\x05\x00" + b"\xff" * 400, "not DICOM|damaged"),
        (b"PK\x03\x04" + b"x" * 500, "zip within a zip"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 500, "not DICOM"),
    ],
    ids=["empty", "text", "nearly", "zip", "picture"],
)
def test_what_is_not_dicom_is_said_to_be_so(content, what):
    with pytest.raises(UnreadableError, match=what):
        read_header(source(content))


def test_a_file_cut_anywhere_is_read_or_refused_and_never_crashes():
    content = encoded(a_slice(), ExplicitVRLittleEndian)
    for end in range(0, 1200, 7):
        try:
            read_header(source(content[:end]))
        except UnreadableError:
            continue


def test_a_file_that_cannot_be_opened_is_said_so():
    def refuse():
        raise PermissionError(13, "Permission denied")

    with pytest.raises(UnreadableError, match="Permission denied"):
        read_header(SourceFile("locked", refuse))


def crafted(kind: str, count: int) -> bytes:
    """Return a slice whose header holds `count` empty items or elements more."""
    item, head = b"\xfe\xff\x00\xe0\0\0\0\0", b"\x08\x00\x51\x00SQ\0\0"
    bodies = {
        "items": head + b"\xff\xff\xff\xff" + item * count + b"\xfe\xff\xdd\xe0\0\0\0\0",
        "items of a known length": head + (8 * count).to_bytes(4, "little") + item * count,
        "elements": b"\x09\x00\x10\x10LO\0\0" * count,
    }
    whole = encoded(a_slice(), ExplicitVRLittleEndian)
    return whole[: meta_end(whole)] + bodies[kind] + whole[meta_end(whole) :]


@pytest.mark.parametrize("kind", ["items", "items of a known length", "elements"])
def test_a_header_made_to_exhaust_the_reader_is_refused_in_time(kind):
    # each empty item takes eight bytes of the file and nearly a kilobyte once parsed
    content = crafted(kind, 2_000_000)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began = time.process_time()
    with pytest.raises(UnreadableError, match="its header holds more than any image needs"):
        read_header(source(content))
    assert time.process_time() - began < 10
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 400 * 1024
    assert read_header(source(crafted(kind, 100))).PatientID == "INV-0001"
