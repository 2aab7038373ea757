"""Which way imports go, and what the domain may lean on."""

from __future__ import annotations

import ast
import logging
import sys
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def _loggers_left_as_they_were():
    """Undo what the checker does to logging: it silences every logger that is there already."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    known = [item for item in root.manager.loggerDict.values() if isinstance(item, logging.Logger)]
    silent = {item: item.disabled for item in known}
    yield
    root.handlers[:] = handlers
    root.setLevel(level)
    for item, was in silent.items():
        item.disabled = was


@pytest.mark.usefixtures("_loggers_left_as_they_were")
def test_every_import_contract_is_kept(monkeypatch):
    monkeypatch.chdir(ROOT)
    assert lint_imports(no_cache=True) == 0


def test_the_domain_imports_the_standard_library_and_itself_alone():
    for path in (ROOT / "registry" / "domain").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            else:
                continue
            for name in names:
                first = name.split(".")[0]
                assert first in sys.stdlib_module_names or name.startswith("registry.domain"), (
                    f"{path.name} imports {name}"
                )


def test_a_rooms_init_is_one_docstring_and_nothing_else():
    for room in ("registry", "reports"):
        for path in (ROOT / room).rglob("__init__.py"):
            body = ast.parse(path.read_text()).body
            assert len(body) == 1, path
            assert isinstance(body[0], ast.Expr), path
            assert isinstance(body[0].value, ast.Constant), path
