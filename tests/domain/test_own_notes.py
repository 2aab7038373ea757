"""What keeps an own note from being kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from registry.domain.own_notes import LONGEST_WORDS, NoteKind, Written, faults_of

TODAY = date(2026, 3, 31)
REFLECTION = Written(NoteKind.REFLECTION, "I hurried.", TODAY)
ACTION = Written(NoteKind.ACTION, "Probe each track.", date(2026, 3, 1), date(2026, 6, 30))


@pytest.mark.parametrize("note", [REFLECTION, ACTION, replace(ACTION, done_on=TODAY, outcome="x")])
def test_a_whole_note_is_kept(note):
    assert faults_of(note, TODAY) == []


@pytest.mark.parametrize(
    ("note", "where"),
    [
        (replace(REFLECTION, words=""), "words"),
        (replace(REFLECTION, words="x" * (LONGEST_WORDS + 1)), "words"),
        (replace(REFLECTION, noted_on=date(2026, 4, 1)), "day"),
        (replace(REFLECTION, due_on=date(2026, 6, 30)), "due on"),
        (replace(ACTION, due_on=date(2026, 2, 28)), "due on"),
        (replace(ACTION, done_on=date(2026, 2, 28)), "done on"),
        (replace(ACTION, done_on=date(2026, 4, 1)), "done on"),
        (replace(ACTION, outcome="Better."), "done on"),
    ],
)
def test_what_is_wrong_is_named_by_its_field(note, where):
    (fault,) = faults_of(note, TODAY)
    assert fault.where == where
    assert fault.mend
