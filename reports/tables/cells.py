"""Cells of tables that a spreadsheet may open."""

from __future__ import annotations

_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\0")


def harmless(cell: object) -> object:
    """Return a cell that no spreadsheet takes for a formula; numbers stay as they are.

    A text that one would take for a formula gets an apostrophe before it (OWASP ASVS
    v5.0.0-1.2.10).
    """
    if isinstance(cell, str) and cell.startswith(_FORMULA_SIGNS):
        return f"'{cell}"
    return cell
