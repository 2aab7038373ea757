"""A file has one subject and a function fits on a page."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LONGEST_FILE = 400
LONGEST_FUNCTION = 60


def _tracked(*patterns: str) -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", *patterns],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [ROOT / line for line in listed.stdout.splitlines() if (ROOT / line).is_file()]


@pytest.mark.parametrize("pattern", ["registry/*.py", "reports/*.py", "demo_data/*.py", "*.js"])
def test_no_file_is_longer_than_a_subject_needs(pattern):
    found = _tracked(pattern)
    long = {str(path.relative_to(ROOT)): len(path.read_text().splitlines()) for path in found}
    assert {name: lines for name, lines in long.items() if lines > LONGEST_FILE} == {}


def test_no_function_is_longer_than_a_page():
    long = {}
    for path in _tracked("registry/*.py", "reports/*.py", "demo_data/*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                first = node.body[1] if ast.get_docstring(node) and node.body[1:] else node.body[0]
                lines = (node.end_lineno or 0) - first.lineno + 1
                if lines > LONGEST_FUNCTION:
                    long[f"{path.relative_to(ROOT)}:{node.name}"] = lines
    assert long == {}
