import zipfile
from datetime import date
from functools import partial
from pathlib import Path

import pytest
from pydicom.data import get_testdata_file
from pydicom.uid import SecondaryCaptureImageStorage

from registry.domain.problems import BadInputError
from registry.imaging.intake import SourceFile, read_series, survey
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


def everything_aside(found):
    return found.left_out_beside(found.series_to_read())


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
    named = {
        (each.name.removeprefix(f"{folder}/")[:5], each.what) for each in everything_aside(found)
    }
    assert named == {
        ("S1000", "localizer"),
        ("S1000", "DICOMDIR"),
        ("S2010", "DICOMDIR"),
        ("S4010", "DICOMDIR"),
        ("S4010", "secondary capture"),
    }
    assert any("(6 files)" in each.name for each in everything_aside(found))
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
    assert any(each.what == "copy of an image" for each in everything_aside(both))


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
            lambda _: real_folder("tilt_uneven"), "7.00 mm between slices 15 and 16", id="scanner"
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
    with pytest.raises(BadInputError, match="too few slices: 3, at least 8 are needed"):
        found.series_to_read()


def test_two_studies_at_once_are_refused_so_that_a_person_chooses(tmp_path):
    write(slices(10, study=1), tmp_path / "before")
    write(slices(10, study=2, AcquisitionDate="20260401"), tmp_path / "after")
    found = survey([tmp_path])
    with pytest.raises(BadInputError) as refused:
        found.series_to_read()
    lines = refused.value.lines()
    assert len(lines) == 2
    assert all("load each by itself" in line for line in lines)
    assert "2026-04-01" in " ".join(lines)
    later = found.series_to_read(
        unfit=lambda one: "" if one.summary.acquired_on > date(2026, 3, 15) else "too early"
    )
    assert later.summary.acquired_on == date(2026, 4, 1)
    assert found.series_to_read(1).summary.acquired_on == date(2026, 3, 2)
    (other,) = found.left_out_beside(later)
    assert other.why == "it is of another study than the one taken"
    with pytest.raises(BadInputError, match="left out: another patient"):
        found.series_to_read(unfit=lambda _: "another patient")


def test_two_patients_in_one_folder_are_listed_apart_and_never_mixed(tmp_path):
    write(slices(10, series=1), tmp_path / "one")
    write(slices(10, series=2, PatientID="INV-0002"), tmp_path / "two")
    write(slices(10, series=3, PatientBirthDate="19700101"), tmp_path / "three")
    write(slices(10, series=4, PatientBirthDate=""), tmp_path / "four")
    found = survey([tmp_path])
    assert len({each.patient for each in found.listing}) == 4
    with pytest.raises(BadInputError, match="load each by itself"):
        found.series_to_read()
    shown = repr(found)
    assert not any(word in shown for word in ("INV-000", "1960", "1970", "1.2.826"))


def test_the_list_names_every_series_in_an_order_that_no_file_changes(tmp_path):
    folder = own_study(tmp_path)
    found = survey([folder])
    assert [(each.number, each.kind.value, each.words) for each in found.listing] == [
        (1, "localizer", "localizer, 1 file"),
        (2, "axial, thick", "axial CT series of 28 slices 5.00 mm apart, kernel BONE"),
        (3, "picture", "secondary capture, 6 files"),
    ]
    assert [each.is_readable for each in found.listing] == [False, True, False]
    assert {(each.patient, each.study) for each in found.listing} == {(1, 1)}
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    again = survey(
        SourceFile(f"{k}", partial(Path.open, path, "rb")) for k, path in enumerate(reversed(files))
    )
    assert again.listing == found.listing
    assert again.series_to_read(2).members[0].sop_uid
    with pytest.raises(BadInputError, match="series 1 cannot be read: a projection"):
        found.series_to_read(1)
    with pytest.raises(BadInputError, match="there is no series 4; choose 1 to 3"):
        found.series_to_read(4)


def test_a_slice_that_announces_text_is_read_only_when_a_person_has_looked(tmp_path):
    write(slices(10, BurnedInAnnotation="YES"), tmp_path)
    found = survey([tmp_path])
    (line,) = found.listing
    assert (line.is_readable, line.may_be_confirmed) == (False, True)
    assert "burned-in text" in line.why_not
    with pytest.raises(BadInputError, match="burned-in text"):
        found.series_to_read()
    confirmed = survey([tmp_path], accept_burned_in=True)
    volume = read_series(confirmed.series_to_read(line.number), Array())
    assert any("burned-in text" in words for words in volume.warnings)


def test_reading_tells_how_far_it_is_and_stops_when_told_to(tmp_path):
    write(slices(10), tmp_path)
    chosen = survey([tmp_path]).series_to_read()
    told = []
    read_series(chosen, Array(), lambda done, all_: told.append((done, all_)))
    assert told == [(k, 10) for k in range(1, 11)]

    class CancelledError(Exception):
        pass

    def stop(done, _):
        if done == 4:
            raise CancelledError

    with pytest.raises(CancelledError):
        read_series(chosen, Array(), stop)


def test_slices_at_the_place_of_others_are_named_and_the_volume_is_whole(tmp_path):
    made = slices(10, AcquisitionNumber=1)
    again = slices(10, AcquisitionNumber=2)
    for dataset in again:
        dataset.SOPInstanceUID += ".2"
    write(made, tmp_path / "first")
    write(again, tmp_path / "again")
    found = survey([tmp_path])
    assert found.series_to_read().summary.slices == 10
    (left_out,) = everything_aside(found)
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
    whats = {Path(each.name.split(" (")[0]).name: each.what for each in everything_aside(found)}
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
    assert [each.what for each in everything_aside(found)] == ["damaged DICOM"]


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
