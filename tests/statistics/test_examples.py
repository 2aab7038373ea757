import doctest
import importlib
from pathlib import Path

import pytest

STATISTICS = Path(__file__).parents[2] / "reports" / "statistics"
NAMES = sorted(path.stem for path in STATISTICS.glob("*.py") if ">>>" in path.read_text("utf-8"))


@pytest.mark.parametrize("name", NAMES)
def test_the_examples_in_the_docstrings_run_and_show_what_they_say(name):
    module = importlib.import_module(f"reports.statistics.{name}")
    outcome = doctest.testmod(module)
    assert outcome.attempted > 0
    assert outcome.failed == 0
