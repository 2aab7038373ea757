"""Damaged protocol data units: nothing that is not an instance is taken, and the next one is."""

from __future__ import annotations

import pytest

from tests.build.damaged_senders import outlives


# pynetdicom's thread for a connection may end by an exception; the program logs that in one line.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_damaged_sender_ends_alone(tmp_path):
    outlives(tmp_path, range(60))
