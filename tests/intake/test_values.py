"""One kind of cell each. Sources: ISO 8601 for days; design words are the ledger's own."""

from __future__ import annotations

import calendar
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.domain.directions import Side
from registry.domain.techniques import EntryTechnique
from registry.intake import values
from registry.intake.columns import READINGS, THEATRE_LOG


# ISO 8601: calendar date, extended format; a year is a leap year when it divides by 4, but a
# century only when it divides by 400.
@pytest.mark.parametrize("text", ["2024-02-29", "2000-02-29", "2026-12-31"])
def test_days_of_iso_8601_read(text: str) -> None:
    assert values.day(text).isoformat() == text


@pytest.mark.parametrize(
    "text",
    [
        "1900-02-29",
        "2026-02-29",
        "2026-13-01",
        "2026-04-31",
        "31.03.2026",
        "03/31/2026",
        "2026-3-1",
        "20260331",
        "2026-W14-2",
        "2026-090",
        "2026-03-31T00:00:00",
        "2026-03-31 00:00:00",
        "46112",
        "1026-03-31",
        "\u0662\u0660\u0662\u0666-03-31",
    ],
)
def test_any_other_day_is_refused_with_the_mend(text: str) -> None:
    with pytest.raises(ValueError, match=r"YYYY-MM-DD|1900"):
        values.day(text)


@given(st.dates(min_value=date(1900, 1, 1)))
def test_every_day_of_the_calendar_reads_back(day: date) -> None:
    assert values.day(f"{day.year:04}-{day.month:02}-{day.day:02}") == day


@given(st.integers(1900, 2400))
def test_the_29th_of_february_exists_in_the_calendar_s_leap_years(year: int) -> None:
    try:
        values.day(f"{year}-02-29")
    except ValueError:
        assert not calendar.isleap(year)
    else:
        assert calendar.isleap(year)


@pytest.mark.parametrize(
    ("text", "value"),
    [("0", "0.0"), ("2.1", "2.1"), ("2.10", "2.1"), (".5", "0.5"), ("60.0", "60.0"), ("-0", "0.0")],
)
def test_extents_read_as_typed(text: str, value: str) -> None:
    assert str(values.extent(text)) == value


@pytest.mark.parametrize(
    "text",
    ["60.1", "2.15", "-1", "1e1", "1E999999", "nan", "inf", "2,1", "1.234,5", "2.1 mm", "1_0", "٢",
     "9" * 40, "0." + "0" * 40, "<2", "2-4"],
)  # fmt: skip
def test_what_is_no_extent_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        values.extent(text)


@pytest.mark.parametrize(
    ("text", "technique", "words"),
    [
        ("Lateral_Intersection", EntryTechnique.LATERAL_INTERSECTION, ""),
        ("in out in", EntryTechnique.IN_OUT_IN, ""),
        ("Other:  pars   lateral", EntryTechnique.OTHER, "pars lateral"),
        ("OTHER : Pedikel: seitlich", EntryTechnique.OTHER, "Pedikel: seitlich"),
    ],
)
def test_entry_techniques_read(text: str, technique: EntryTechnique, words: str) -> None:
    assert values.entry_technique(text) == (technique, words)


@pytest.mark.parametrize("text", ["other", "other:", "isthmus: high", "magerl"])
def test_a_technique_that_says_too_little_or_too_much_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"other"):
        values.entry_technique(text)


@pytest.mark.parametrize("text", ["L", "l", "Left", "LEFT"])
def test_left_is_left_however_it_is_written(text: str) -> None:
    assert values.side(text) is Side.LEFT


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("A B", ("A B",)),
        ("A  B|C D", ("A B", "C D")),
        ("A + B | C", ("A", "B", "C")),
        ("Berg, A | Berg, A", ("Berg, A",)),
    ],
)
def test_assistants_read_inside_every_separator(text: str, names: tuple[str, ...]) -> None:
    assert values.people(text) == names


@pytest.mark.parametrize("text", ["A |", "| A", "A || B", "A / B", "A; B"])
def test_assistants_otherwise_separated_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"\|"):
        values.people(text)


def test_two_persons_in_a_column_for_one_are_refused() -> None:
    with pytest.raises(ValueError, match="one person"):
        values.person("A | B")


def test_white_space_in_a_name_is_made_single_and_accents_are_composed() -> None:
    assert values.person("Ju\u0308rgen \n\u00a0 Berg") == "J\u00fcrgen Berg"


# GS1 General Specifications: FNC1 as separator is transmitted as the control character GS (29).
def test_a_scanned_implant_identifier_keeps_its_group_separator() -> None:
    assert values.implant("0109\x1d10AB") == "0109\x1d10AB"
    with pytest.raises(ValueError, match="control characters"):
        values.implant("0109\x1b10AB")


@pytest.mark.parametrize(
    ("text", "value"),
    [("yes", True), ("No", False), ("TRUE", True), ("false", False), ("1", True), ("0", False)],
)
def test_yes_and_no_read(text: str, value: bool) -> None:  # noqa: FBT001 - the table's answer
    assert values.truth(text) is value
    assert values.revision(text) is value


@pytest.mark.parametrize("text", ["ja", "y", "2", "maybe"])
def test_other_words_are_neither_yes_nor_no(text: str) -> None:
    with pytest.raises(ValueError, match="yes or no"):
        values.truth(text)


def test_primary_and_revision_are_read_as_words_too() -> None:
    assert (values.revision("Primary"), values.revision("revision")) == (False, True)


@pytest.mark.parametrize("text", ["0", "10", "1.0", "-1", "one", "²"])
def test_a_screw_s_number_is_a_small_whole_number(text: str) -> None:
    with pytest.raises(ValueError, match="whole number"):
        values.number(text)


@pytest.mark.parametrize("text", ["x" * 65, "a\nb", "a\x00b", "a\x7fb"])
def test_a_reference_is_short_and_without_control_characters(text: str) -> None:
    with pytest.raises(ValueError, match="characters"):
        values.reference(text)
    assert values.reference("x" * 64) == "x" * 64


def test_a_size_of_zero_is_no_size() -> None:
    with pytest.raises(ValueError, match="above 0"):
        values.tenths(Decimal(20), above_zero=True)("0.0")


@settings(deadline=None, max_examples=150)
@given(text=st.text(min_size=1, max_size=30) | st.from_regex(r"\A-?[0-9.eE,_]{1,40}\Z"))
def test_every_column_reads_or_refuses_any_text(text: str) -> None:
    for column in (*THEATRE_LOG, *READINGS):
        try:
            column.parse(text)
        except ValueError as error:
            assert str(error)  # noqa: PT017 - most texts are refused, some are not
