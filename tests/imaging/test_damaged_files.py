"""A seeded share of the damaged CTs of tests/long/test_twenty_thousand_damaged_files.py."""

from __future__ import annotations

import zipfile

import pytest

from registry.domain.problems import BadInputError
from registry.imaging.intake import survey
from registry.imaging.sources import SourceFile, walk
from tests.build.damaged_runs import run_damaged
from tests.imaging.written_files import encoded, slices


def test_damaged_files_are_refused_in_words_or_read_and_leave_nothing(tmp_path):
    run_damaged(tmp_path, first=0, count=150)


@pytest.mark.parametrize("method", [zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_what_a_zip_packs_in_a_way_that_cannot_be_bounded_stays_out(tmp_path, method):
    path = tmp_path / "files.zip"
    with zipfile.ZipFile(path, "w", method) as archive:
        archive.writestr("one.dcm", b"zeros" * 100)
    (found,) = walk([path])
    assert not isinstance(found, SourceFile)
    assert found.what == "file packed in a rare way"


def test_a_length_far_beyond_the_file_makes_no_room_for_it(tmp_path):
    content = encoded(slices(1)[0], "1.2.840.10008.1.2")
    at = content.rindex(b"\xe0\x7f\x10\x00") + 4
    path = tmp_path / "claims.dcm"
    path.write_bytes(content[:at] + b"\xf0\xff\xff\x7f" + content[at + 4 :])
    (source,) = walk([path])
    with source.open() as stream:
        assert len(stream.read(0x7FFFFFF0)) == path.stat().st_size
    with pytest.raises(BadInputError):
        survey([path]).series_to_read()
