"""The trail's digests against published vectors and a plain second way."""

from __future__ import annotations

import hashlib
import hmac
import json
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.domain import trail
from registry.domain.trail import Event, canonical_row, event_digest, head_seal, keyed_digest

KEY = bytes(range(32))
EVENT = Event(3, "2026-03-02T09:30:00.000000Z", "rita", "enter", "screw:4", "", "{}", "", "p", "")
anything = st.text(st.characters(codec=None), max_size=30)


def test_the_hmac_is_that_of_the_standard():
    # RFC 4231, test case 2 (HMAC-SHA-256): key "Jefe", data "what do ya want for nothing?".
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert trail._hmac(b"Jefe", "what do ya want for nothing?") == expected


def test_an_event_s_digest_is_over_all_it_says():
    said = [getattr(EVENT, field.name) for field in fields(Event) if field.name != "digest"]
    text = json.dumps(said, separators=(",", ":"), ensure_ascii=False).encode()
    assert event_digest(KEY, EVENT) == hmac.new(KEY, text, hashlib.sha256).hexdigest()


@given(st.sampled_from([f.name for f in fields(Event) if f.name not in {"sequence", "digest"}]),
       anything)  # fmt: skip
def test_any_other_text_anywhere_has_another_digest(name, text):
    other = replace(EVENT, **{name: text})
    assert (event_digest(KEY, other) == event_digest(KEY, EVENT)) == (other == EVENT)


@given(anything, anything)
def test_text_does_not_slip_from_one_field_to_the_next(one, other):
    # "ab" + "c" and "a" + "bc" are two events.
    left = replace(EVENT, actor=one + other, verb="")
    right = replace(EVENT, actor=one, verb=other)
    assert (event_digest(KEY, left) == event_digest(KEY, right)) == (left == right)


def test_another_key_has_other_digests():
    other = bytes(32)
    assert event_digest(other, EVENT) != event_digest(KEY, EVENT)
    assert head_seal(other, 3, "x") != head_seal(KEY, 3, "x")
    assert keyed_digest(other, "x") != keyed_digest(KEY, "x")


def test_a_head_is_sealed_with_its_length():
    assert len({head_seal(KEY, length, head) for length in (1, 2) for head in "ab"}) == 4


@given(st.dictionaries(anything, st.one_of(anything, st.integers(), st.booleans(), st.none())))
def test_a_row_is_written_one_way(row):
    backwards = dict(reversed(row.items()))
    assert canonical_row(row) == canonical_row(backwards)
    assert json.loads(canonical_row(row)) == row


@pytest.mark.parametrize("pair", [(1, True), (0, False), ("1", 1), (None, "null"), ("", None)])
def test_values_of_two_kinds_are_written_apart(pair):
    assert len({canonical_row({"a": value}) for value in pair}) == 2
