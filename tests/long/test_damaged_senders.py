"""The receiver against thousands of damaged senders."""

from __future__ import annotations

import pytest

from tests.build.damaged_senders import outlives


# As in the receiver's own room.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.parametrize("first", range(0, 3000, 1000))
def test_a_thousand_damaged_senders_end_alone(tmp_path, first):
    outlives(tmp_path, range(first, first + 1000))
