"""Published series through the whole path: log and readings loaded as tables, counted as rates.

`series.csv` has each series with its citation, address and reading note; the counts are stated
there. The largest are in `tests/long`, so that every test here takes a second at most.
"""

from __future__ import annotations

import pytest

from tests.build.published import SERIES, check_series, named

LARGEST_SCREWS = 320


@pytest.mark.parametrize("series", [s for s in SERIES if int(s["screws"]) <= LARGEST_SCREWS],
                         ids=named)  # fmt: skip
def test_a_series_comes_back_as_it_was_printed(place, series):
    check_series(place, series)


def test_most_series_are_small_and_none_is_left_out():
    small = [s for s in SERIES if int(s["screws"]) <= LARGEST_SCREWS]
    assert len(SERIES) == 30
    assert len(small) >= 10
