import zipfile
from datetime import date
from pathlib import Path

import pytest
from pydicom.data import get_testdata_file
from pydicom.uid import SecondaryCaptureImageStorage

from registry.domain.problems import BadInputError
from registry.imaging.intake import read_series, survey
from tests.imaging.written_files import Array, a_slice, deflated_bomb, real_folder, slices, write


def own_study(tmp_path: Path) -> Path:
    """Write a study like a scanner's: a localizer, a series of 5 mm, captures that say CT."""
    folder = tmp_path / "study"
    write(
        [a_slice(series=1, ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"])],
        folder / "S1000",
        prefix="I",
    )
    write(slices(28, step=(0, 0, 5.0), series=2, SliceThickness=5), folder / "S2010", prefix="I")
    captures = [a_slice(k, series=3, SOPClassUID=SecondaryCaptureImageStorage) for k in range(6)]
    write(captures, folder / "S4010", prefix="I")
    directory = Path(get_testdata_file("DICOMDIR", download=False)).read_bytes()
    for name in ("S1000", "S2010", "S4010"):
        (folder / name / "DIRFILE").write_bytes(directory)
    return folder


STUDIES = [pytest.param(own_study, id="own")]
if real_folder("study_plain") is not None:
    STUDIES.append(pytest.param(lambda _: real_folder("study_plain"), id="scanner"))


@pytest.mark.parametrize("study", STUDIES)
def test_of_a_study_the_axial_series_is_taken_and_the_rest_is_named(tmp_path, study):
    folder = study(tmp_path)
    found = survey([folder])
    chosen = found.series_to_read()
    assert (chosen.summary.slices, chosen.summary.step_mm) == (28, pytest.approx(5.0))
    assert "S2010" in chosen.summary.place
    named = {(each.name.removeprefix(f"{folder}/")[:5], each.what) for each in found.left_out}
    assert named == {
        ("S1000", "localizer"),
        ("S1000", "DICOMDIR"),
        ("S2010", "DICOMDIR"),
        ("S4010", "DICOMDIR"),
        ("S4010", "secondary capture"),
    }
    assert any("(6 files)" in each.name for each in found.left_out)
    volume = read_series(chosen, Array())
    assert volume.warnings == ("thick slices: 5.00 mm, above 2 mm; small breaches can hide",)


@pytest.mark.parametrize("study", STUDIES)
def test_a_zip_of_a_study_gives_the_same_volume_as_its_folder(tmp_path, study):
    folder = study(tmp_path)
    packed = tmp_path / "study.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.rglob("*"), reverse=True):
            if path.is_file():
                archive.write(path, path.relative_to(folder))
    loose, zipped = Array(), Array()
    one = read_series(survey([folder]).series_to_read(), loose)
    other = read_series(survey([packed]).series_to_read(), zipped)
    assert (loose.voxels == zipped.voxels).all()
    assert one.attributes == other.attributes
    assert one.identity == other.identity
    both = survey([folder, packed])
    assert both.series_to_read().summary.slices == 28
    assert any(each.what == "copy of an image" for each in both.left_out)


def uneven(tmp_path):
    made = slices(20, step=(0, 0, 4.0))
    for dataset in made[10:]:
        dataset.ImagePositionPatient[2] += 3.2
    write(made, tmp_path)
    return tmp_path


UNEVEN = [pytest.param(uneven, "7.20 mm between slices 10 and 11", id="own")]
FEW = [pytest.param(lambda folder: write(slices(3), folder), id="own")]
if real_folder("tilt_uneven") is not None:
    UNEVEN.append(
        pytest.param(
            lambda _: real_folder("tilt_uneven"), "1.08 mm between slices 14 and 15", id="scanner"
        )
    )
    FEW.append(pytest.param(lambda _: [real_folder("oblique")], id="scanner"))


@pytest.mark.parametrize(("files", "words"), UNEVEN)
def test_gaps_are_refused_with_their_places_and_sizes(tmp_path, files, words):
    with pytest.raises(BadInputError, match=words):
        survey([files(tmp_path)]).series_to_read()


@pytest.mark.parametrize("files", FEW)
def test_three_slices_are_too_few_and_said_so(tmp_path, files):
    found = survey(files(tmp_path))
    assert found.chosen is None
    with pytest.raises(BadInputError, match="too few slices: 3, at least 8 are needed"):
        found.series_to_read()


def test_two_studies_at_once_are_refused_so_that_a_person_chooses(tmp_path):
    write(slices(10, study=1), tmp_path / "before")
    write(slices(10, study=2, AcquisitionDate="20260401"), tmp_path / "after")
    with pytest.raises(BadInputError) as refused:
        survey([tmp_path])
    lines = refused.value.lines()
    assert len(lines) == 2
    assert all("load each by itself" in line for line in lines)
    assert "2026-04-01" in " ".join(lines)


def test_slices_at_the_place_of_others_are_named_and_the_volume_is_whole(tmp_path):
    made = slices(10, AcquisitionNumber=1)
    again = slices(10, AcquisitionNumber=2)
    for dataset in again:
        dataset.SOPInstanceUID += ".2"
    write(made, tmp_path / "first")
    write(again, tmp_path / "again")
    found = survey([tmp_path])
    assert found.series_to_read().summary.slices == 10
    (left_out,) = found.left_out
    assert left_out.name == f"{tmp_path}/again (10 files)"
    assert left_out.what == "slice at the place of another"
    volume = read_series(found.series_to_read(), Array())
    assert volume.warnings == ("10 slices lay at the place of another; the first was kept",)


def test_bombs_text_and_nested_zips_among_the_files_do_not_stop_the_series(tmp_path):
    write(slices(10), tmp_path)
    (tmp_path / "bomb").write_bytes(deflated_bomb(100 << 20))
    (tmp_path / "readme.txt").write_text("hello" * 100)
    inner = tmp_path / "inner.zip"
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("x", "y")
    outer = tmp_path / "outer.zip"
    with zipfile.ZipFile(outer, "w") as archive:
        archive.write(inner, "nested.zip")
        archive.writestr("text", "t")
    found = survey([tmp_path])
    assert found.series_to_read().summary.slices == 10
    whats = {Path(each.name.split(" (")[0]).name: each.what for each in found.left_out}
    assert whats["bomb"] == "deflated file"
    assert whats["readme.txt"] == "not DICOM"
    assert whats["nested.zip"] == "zip within a zip"


def test_an_empty_folder_is_said_to_hold_no_series(tmp_path):
    with pytest.raises(BadInputError, match="no axial CT series to read was found"):
        survey([tmp_path]).series_to_read()


def test_header_values_that_cannot_be_read_leave_only_that_file_out(tmp_path):
    paths = write(slices(10), tmp_path)
    content = paths[9].read_bytes()
    paths[9].write_bytes(content.replace(b"0.5\\0.3 ", b"half\\x  ", 1))
    found = survey([tmp_path])
    assert found.series_to_read().summary.slices == 9
    assert [each.what for each in found.left_out] == ["damaged DICOM"]


@pytest.mark.parametrize(
    ("attributes", "day"),
    [
        ({}, date(2026, 3, 2)),
        ({"AcquisitionDate": None}, date(2026, 3, 1)),
        ({"AcquisitionDate": None, "SeriesDate": "20260303"}, date(2026, 3, 3)),
        ({"AcquisitionDate": None, "AcquisitionDateTime": "20260304101500"}, date(2026, 3, 4)),
        ({"AcquisitionDate": None, "StudyDate": None}, None),
    ],
    ids=["acquisition", "study", "series", "instant", "none"],
)
def test_the_day_is_that_of_the_acquisition_then_the_series_then_the_study(
    tmp_path, attributes, day
):
    write(slices(8, **attributes), tmp_path)
    assert read_series(survey([tmp_path]).series_to_read(), Array()).scanned_on == day
