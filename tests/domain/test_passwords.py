"""Passwords: NIST SP 800-63B-4, section 3.1.1.2, for a password as the only factor.

Read in a summary of that section, whose sentences stand beside each test.
"""

from __future__ import annotations

import string
import unicodedata

import pytest

from registry.domain.passwords import LONGEST, check_password, prepared

GOOD = "seven quiet herons by the weir"


def refusal(password, account="rita", unit="Spinal unit"):
    return check_password(password, account, unit)


def test_fifteen_characters_are_enough_and_fourteen_are_not():
    # "15 characters or more if the password is the only factor"
    assert refusal("a1b2c3d4e5f6g7h") == ""
    assert "15 characters" in refusal("a1b2c3d4e5f6g7")


def test_sixty_four_and_more_are_allowed_and_nothing_is_cut_off():
    # "allow 64 or more"; "no truncation"
    assert LONGEST >= 64
    long = (GOOD * 9)[:LONGEST]
    assert refusal(long) == ""
    assert prepared(long) == long
    assert refusal(long + "x") != ""


@pytest.mark.parametrize(
    "password",
    [
        string.punctuation,
        string.printable[:95],
        "fifteen spaces and words",
        "vier graue Füchse über der Mühle",
        "семь тихих цапель над водой",
        "七羽の静かな鷺が堰のそばにいる朝に",
        "🦊🦉🦆🐟🐢🐍🦎🦂🦀🐙🦑🦐🐡🐠🐬",
    ],
)
def test_all_printing_ascii_space_and_unicode_are_taken(password):
    # "all printing ASCII, space and Unicode"
    assert refusal(password) == ""


def test_code_points_are_counted_after_normalisation():
    # "NFKC or NFKD, count code points"
    decomposed = unicodedata.normalize("NFD", "äöüäöüäöüäöüxyz")
    assert len(decomposed) > 15
    assert refusal(decomposed) == refusal("äöüäöüäöüäöüxyz") == ""
    assert refusal(unicodedata.normalize("NFD", "äöüäöüäöüxyz")) != ""
    assert prepared(decomposed) == prepared("äöüäöüäöüäöüxyz")
    assert prepared("ﬁfteen") == "fifteen"


@pytest.mark.parametrize(
    "password", ["onlysmallletters abc", "ONLY CAPITALS HERE NOW", "8372615409281736"]
)
def test_no_kind_of_character_is_asked_for(password):
    # "no composition rules"
    assert refusal(password) == ""


@pytest.mark.parametrize(
    "password",
    [
        "passwordpassword",
        "Password-Password",
        "correct horse battery staple",
        "123456789012345",
        "pedicle ledger pedicle ledger",
        "aaaaaaaaaaaaaaaaaaaa",
        "abababababababababab",
    ],
)
def test_common_words_are_refused_and_it_is_said_why(password):
    # "a blocklist of common, breached and context words ... and say why it was refused"
    assert refusal(password).startswith(("made of common words", "too few different"))


def test_the_account_and_the_unit_make_no_password():
    # "... and context words": the ledger's name, the user's
    assert refusal("margarethe.margarethe", account="margarethe") != ""
    assert refusal("Spine Centre North 1", unit="Spine Centre North") != ""
    assert refusal("margarethe walks seven dogs", account="margarethe") == ""
