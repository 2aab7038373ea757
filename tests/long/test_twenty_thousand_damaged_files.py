"""20,000 CTs and zips damaged at random, by number: no traceback, no hang, nothing left behind."""

from __future__ import annotations

import pytest

from tests.build.damaged_runs import run_damaged

EACH, ALL = 1000, 20_000


@pytest.mark.parametrize("first", range(0, ALL, EACH))
def test_a_thousand_damaged_cts(tmp_path, first):
    print(first, run_damaged(tmp_path, first=first, count=EACH))
