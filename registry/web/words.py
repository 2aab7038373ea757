"""Lines of text as pages print them."""

from __future__ import annotations


def headed(text: str) -> str:
    """Return words as they head a column or begin a line: a capital first, the rest as it is."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return a line as a sentence: a capital first, a full stop last."""
    return headed(text) + ("" if text.endswith((".", "?", "!")) else ".")
