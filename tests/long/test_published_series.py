"""Every published series through the whole path, the largest too."""

from __future__ import annotations

import pytest

from tests.build.published import SERIES, check_series, named


@pytest.mark.parametrize("series", SERIES, ids=named)
def test_a_series_comes_back_as_it_was_printed(place, series):
    check_series(place, series)
