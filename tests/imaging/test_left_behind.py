"""The report of what was left behind: attributes by name and number, and no value at all."""

from __future__ import annotations

import json

import pytest
from pydicom import Dataset
from pydicom.dataelem import RawDataElement
from pydicom.sequence import Sequence
from pydicom.tag import Tag
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from registry.imaging.intake import read_series, survey
from registry.imaging.left_behind import left_behind, report
from tests.imaging.written_files import Array, a_slice, slices, write


def a_telling_slice(index=0):
    dataset = a_slice(index, position=(-100.0, -90.0, 5.0 + 0.8 * index))
    dataset.preamble = b"II*\0".ljust(128, b"\0")
    dataset.PatientComments = "seen with her neighbour"
    inner, deeper = Dataset(), Dataset()
    deeper.PersonName = "Deep^Down"
    inner.PersonIdentificationCodeSequence = Sequence([deeper])
    inner.RequestedProcedureID = "RP-1"
    dataset.RequestAttributesSequence = Sequence([inner])
    for group, creator in ((0x0009, "SOMEBODY'S OWN"), (0x0029, "ANOTHER'S")):
        block = dataset.private_block(group, creator, create=True)
        block.add_new(1, "LO", "hidden")
    dataset.private_block(0x0009, "SOMEBODY'S OWN").add_new(2, "LO", "hidden")
    dataset.add_new(0x60000010, "US", 24)
    dataset.add_new(0x60003000, "OW", b"\0" * 96)
    dataset.add_new(0x50000005, "US", 1)
    return dataset


def report_of(dataset):
    return left_behind([dataset])


def test_attributes_are_told_by_number_at_every_depth_and_private_ones_by_count():
    found = report_of(a_telling_slice())
    named = {line.number: line for line in report(found).could_name}
    for number, name in (
        ("(0010,0010)", "Patient's Name"),
        ("(0010,4000)", "Patient Comments"),
        ("(0040,0275)", "Request Attributes Sequence"),
        ("(0040,1001)", "Requested Procedure ID"),
        ("(0040,1101)", "Person Identification Code Sequence"),
        ("(0040,a123)", "Person Name"),
        ("(0002,0003)", "Media Storage SOP Instance UID"),
    ):
        assert named[number].name == name
    assert (found["private"], found["private_groups"]) == (3, 2)
    assert (found["sequences"], found["drawings"], found["preamble"]) == (2, 2, True)
    assert named["(0010,0020)"].is_in_vault
    assert not named["(0010,4000)"].is_in_vault


def test_no_value_stands_in_the_report():
    said = json.dumps(report_of(a_telling_slice())).casefold()
    for value in ("neighbour", "rp-1", "deep", "hidden", "somebody", "another", "invented", "acc"):
        assert value not in said
    assert not any(letter in said for letter in ("^", "'"))


def test_what_is_used_or_kept_with_the_image_is_not_told_as_left():
    numbers = {line.number for line in report(report_of(a_slice())).could_name}
    assert "(0008,0070)" not in numbers  # Manufacturer
    assert "(0020,0032)" not in numbers  # Image Position (Patient)
    assert numbers == {
        "(0002,0003)", "(0008,0018)", "(0008,0020)", "(0008,0022)", "(0008,0050)",
        "(0010,0010)", "(0010,0020)", "(0010,0030)", "(0020,000d)", "(0020,000e)", "(0020,0052)",
    }  # fmt: skip


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, ExplicitVRLittleEndian])
def test_the_report_travels_with_the_volume_and_counts_each_slice(tmp_path, syntax):
    made = [a_telling_slice(k) for k in range(9)]
    made[4].OperatorsName = "On^One^Slice"
    write(made, tmp_path, syntax)
    volume = read_series(survey([tmp_path]).series_to_read(), Array())
    found = volume.attributes["left_behind"]
    assert found["slices"] == 9
    names = {line.name for line in report(found).could_name}
    assert {"Operators' Name", "Person Name", "Requested Procedure ID"} <= names
    assert found["private"] == 3


def test_a_wide_series_is_read_twice_and_counted_once(tmp_path):
    made = slices(9)
    for dataset in made:
        dataset.RescaleSlope = 40
    write(made, tmp_path)
    sink = Array()
    volume = read_series(survey([tmp_path]).series_to_read(), sink)
    assert sink.begun == ["int16", "int32"]
    assert volume.attributes["left_behind"]["slices"] == 9


def test_a_sequence_that_cannot_be_read_is_told_and_not_looked_into():
    dataset = a_slice()
    content = b"\xfe\xff\x00\xe0\xff\xff\x00\x00not an item"
    tag = Tag(0x00400275)
    dataset._dict[tag] = RawDataElement(tag, "SQ", len(content), content, 0, False, True)
    numbers = {line.number for line in report(report_of(dataset)).could_name}
    assert "(0040,0275)" in numbers
