"""Identifiers and days under which images leave: the same every time, and only in this ledger."""

from __future__ import annotations

import secrets

from pydicom.uid import UID

from registry.store.vault import days_back, derived_uid

KEY, OTHER = b"k" * 32, b"o" * 32


def test_a_derived_identifier_is_valid_and_the_same_every_time():
    """PS3.5 section 9.1: at most 64 characters; section B.2: a UUID under 2.25."""
    made = {derived_uid(KEY, "image", f"4 {number}") for number in range(2000)}
    assert len(made) == 2000
    assert all(UID(each).is_valid and each.startswith("2.25.") and len(each) <= 64 for each in made)
    assert derived_uid(KEY, "image", "4 7") in made
    # RFC 9562: a UUID has 128 bits, among them the version and the variant.
    number = int(derived_uid(KEY, "image", "4 7").removeprefix("2.25."))
    assert number < 1 << 128
    assert (number >> 76 & 0xF, number >> 62 & 0b11) == (5, 0b10)


def test_another_kind_value_or_ledger_gives_another_identifier():
    made = {
        derived_uid(key, kind, value)
        for key in (KEY, OTHER)
        for kind in ("image", "screw", "screw, pseudonymous")
        for value in ("1", "11")
    }
    assert len(made) == 12


def test_a_patients_days_move_back_by_one_offset_of_at_most_ten_years():
    names = [f"P{secrets.token_hex(6)}" for _ in range(3000)]
    offsets = [days_back(KEY, name) for name in names]
    assert offsets == [days_back(KEY, name) for name in names]
    assert 1 <= min(offsets) < 40
    assert 3610 < max(offsets) <= 3652
    assert abs(sum(offsets) / len(offsets) - 1826.5) < 100
    assert [days_back(OTHER, name) for name in names] != offsets
