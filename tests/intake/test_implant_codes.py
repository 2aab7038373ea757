"""Implant stickers as scanners type them.

Sources: FDA, "UDI formats by FDA-accredited issuing agency", version 1.3, 2017 (GS1 vector and
field sizes); ANSI/HIBC 2.6, appendix B.2.0, figure 5 and sections 2.2.1.1 and 4.3.2, as public test
suites quote them (the standard itself was not read); HL7 FHIR R4's example device and its HIBC
carrier. Where a case is built from the rules instead, it says so.
"""

from __future__ import annotations

from datetime import date

import pytest

from registry.intake.implant_codes import hibc_check_character, read_implant_code

OPERATED_ON = date(2026, 3, 2)
BRACKETS = "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234"
GS1 = ("51022222233336", "A213B1", "1234", date(2014, 12, 31), date(2015, 7, 7))


def parts(code):
    return (code.device, code.lot, code.serial, code.made_on, code.expires_on)


@pytest.mark.parametrize(
    "scanned",
    [
        BRACKETS,
        "0151022222233336111412311715070710A213B1\x1d211234",
        "]d20151022222233336111412311715070710A213B1\x1d211234",
        "]C10151022222233336111412311715070710A213B1\x1d211234",
        "]Q30151022222233336111412311715070710A213B1\x1d211234",
        "\x1d0151022222233336111412311715070710A213B1\x1d211234",
        "01510222222333362112341d".replace("1d", "\x1d") + "10A213B1\x1d1114123117150707",
        " 0151022222233336111412311715070710A213B1\x1d211234 ",
    ],
    ids=[
        "brackets",
        "FNC1",
        "data matrix",
        "code 128",
        "QR",
        "leading FNC1",
        "other order",
        "ends",
    ],
)
def test_a_gs1_sticker_is_read_in_every_way_that_scanners_type_it(scanned):
    code = read_implant_code(scanned)
    assert code.standard == "GS1"
    assert parts(code) == GS1
    assert code.doubts == ()


def test_an_implant_that_had_expired_on_the_day_of_operation_is_noted():
    code = read_implant_code(BRACKETS)
    assert code.lines(OPERATED_ON)[1] == "it had expired on the day of operation, 2026-03-02"
    assert len(code.lines(date(2015, 7, 7))) == 1
    assert len(code.lines(None)) == 1
    assert code.lines(None)[0] == (
        "GS1: device 51022222233336, lot A213B1, serial number 1234, made on 2014-12-31, "
        "expires on 2015-07-07"
    )


def test_day_00_is_the_last_of_its_month():
    """GS1 General Specifications: a day of 00 means the last day of the month."""
    assert read_implant_code("17280200").expires_on == date(2028, 2, 29)


@pytest.mark.parametrize(
    ("scanned", "asked"),
    [
        ("015102222223333610A213B117150707", "is it lot A213B1 and then 17150707?"),
        ("015102222223333610A213B1211234", "is it lot A213B1 and then 211234?"),
        ("0151022222233336211234510AB12", "is it serial number 12345 and then 10AB12?"),
        ("10LOT0151022222233336", "is it lot LOT and then 0151022222233336?"),
    ],
)
def test_a_lot_or_serial_that_may_have_swallowed_the_next_field_is_asked_about(scanned, asked):
    """Built by the rules: the separator left out after 10 or 21."""
    (doubt,) = read_implant_code(scanned).doubts
    assert asked in doubt
    assert "with its brackets" in doubt


def test_brackets_leave_nothing_to_ask():
    assert read_implant_code("(01)51022222233336(10)A213B117150707").doubts == ()


def test_a_wrong_check_digit_is_said():
    code = read_implant_code(BRACKETS.replace("51022222233336", "51022222233337"))
    assert "check digit" in code.doubts[0]


@pytest.mark.parametrize("scanned", ["hello", "12345", "(99", "]C1", "+", "", "\x1d", "(01)1"])
def test_what_is_neither_is_kept_and_said_to_be_so(scanned):
    code = read_implant_code(scanned)
    assert parts(code) == (None,) * 5
    assert len(code.lines(OPERATED_ON)) >= 1


@pytest.mark.parametrize(
    ("text", "check"),
    [
        ("+A123BJC5D6E71", "G"),
        ("+$$52001510X3G", "D"),
        ("+A99912345/$$52001510X3", "3"),
        ("+A99912345/$$52001510X3/16D20111212/S77DEFG45", "7"),
        ("+H123ABC01234567890", "D"),
    ],
)  # fmt: skip
def test_the_check_character_is_the_standard_s(text, check):
    assert hibc_check_character(text) == check


HIBC = {
    "+A123BJC5D6E71G": ("A123BJC5D6E71", None, None, None, None),
    "*+A123BJC5D6E71G*": ("A123BJC5D6E71", None, None, None, None),
    # YYJJJ 20015 is the 15th day of 2020
    "+A99912345/$$52001510X33": ("A99912345", "10X3", None, None, date(2020, 1, 15)),
    "+$$52001510X3GD": (None, "10X3", None, None, date(2020, 1, 15)),
    "+A99912345/$$52001510X3/16D20111212/S77DEFG457": (
        *("A99912345", "10X3", "77DEFG45", date(2011, 12, 12), date(2020, 1, 15)),
    ),
}


@pytest.mark.parametrize(("scanned", "expected"), HIBC.items(), ids=HIBC)
def test_a_hibc_sticker_is_read(scanned, expected):
    code = read_implant_code(scanned)
    assert code.standard == "HIBC"
    assert parts(code) == expected
    assert code.doubts == ()


def test_a_whole_hibc_sticker_is_read_though_its_check_character_does_not_fit():
    """HL7 FHIR's example: all its fields are sound, but the C at its end is no modulo 43 (H is)."""
    scanned = (
        "+H123PARTNO1234567890120/$$420020216LOT123456789012345/SXYZ456789012345678/16D20130202C"
    )
    code = read_implant_code(scanned)
    assert parts(code) == (
        "H123PARTNO1234567890120",
        "LOT123456789012345",
        "XYZ456789012345678",
        date(2013, 2, 2),
        date(2020, 2, 2),
    )
    assert code.doubts == ("the HIBC check character does not fit; scan again",)
    assert read_implant_code(scanned[:-1] + "H").doubts == ()


def checked(text):
    return text + hibc_check_character(text)


@pytest.mark.parametrize(
    ("secondary", "lot", "serial", "expires_on"),
    [
        ("$3C001", "3C001", None, None),
        ("$+0001", None, "0001", None),
        ("$$09053C001", "3C001", None, date(2005, 9, 30)),
        ("$$12253C001", "3C001", None, date(2025, 12, 31)),
        ("$$20928053C001", "3C001", None, date(2005, 9, 28)),
        ("$$30509283C001", "3C001", None, date(2005, 9, 28)),
        ("$$4050928223C001", "3C001", None, date(2005, 9, 28)),
        ("$$5052713C001", "3C001", None, date(2005, 9, 28)),
        ("$$605271223C001", "3C001", None, date(2005, 9, 28)),
        ("$$73C001", "3C001", None, None),
        ("$$82409053C001", "3C001", None, date(2005, 9, 30)),
        ("$$90010030509283C001", "3C001", None, date(2005, 9, 28)),
        ("$$+30509280001", None, "0001", date(2005, 9, 28)),
        ("$$+70001", None, "0001", None),
    ],
)
def test_each_way_to_write_an_expiry_is_read(secondary, lot, serial, expires_on):
    """Built by the table of date formats of ANSI/HIBC 2.6 (from memory)."""
    code = read_implant_code(checked(f"+A99912345/{secondary}"))
    assert (code.lot, code.serial, code.expires_on) == (lot, serial, expires_on)
    assert code.doubts == ()


@pytest.mark.parametrize(
    ("scanned", "told"),
    [
        ("+A123BJC5D6E71H", "check character"),
        ("+a123BJC5D6E71G", "check character"),
        (checked("+A99912345/$$3059928LOT"), "no day of the calendar"),
        (checked("+A99912345/$$53660LOT"), "no day of the calendar"),
        (checked("+A99912345/16D20131302"), "no day of the calendar"),
        (checked("+A99912345/Q500"), "not read"),
        (checked("+99"), "not read"),
    ],
)
def test_what_does_not_fit_in_a_hibc_sticker_is_said(scanned, told):
    assert any(told in doubt for doubt in read_implant_code(scanned).doubts)
