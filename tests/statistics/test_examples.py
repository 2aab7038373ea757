import doctest
import importlib

import pytest


@pytest.mark.parametrize(
    "name", ["intervals", "clustered", "funnel", "run_lengths", "sequential", "shrinkage"]
)
def test_the_examples_in_the_docstrings_run_and_show_what_they_say(name):
    module = importlib.import_module(f"reports.statistics.{name}")
    outcome = doctest.testmod(module)
    assert outcome.attempted > 0
    assert outcome.failed == 0
