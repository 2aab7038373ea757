import doctest
import importlib
from pathlib import Path

import pytest

import reports.statistics

WITH_EXAMPLES = sorted(
    path.stem
    for path in Path(reports.statistics.__path__[0]).glob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_the_examples_in_the_docstrings_run_and_show_what_they_say(name):
    module = importlib.import_module(f"reports.statistics.{name}")
    outcome = doctest.testmod(module)
    assert outcome.attempted > 0
    assert outcome.failed == 0
