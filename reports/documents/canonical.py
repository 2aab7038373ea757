"""JSON whose bytes are the same for the same numbers: sorted keys, fixed digits, no floats.

A number that is no whole one is text with ten digits after the point, so that no reader's way with
floats, and no last bit of one machine's arithmetic, makes it another.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from decimal import Decimal

DIGITS = 10


def canonical_bytes(document: object) -> bytes:
    """Return a tree of mappings, sequences and plain values as canonical JSON, UTF-8, one line end.

    ValueError for a number that is none; TypeError for what JSON has no word for.
    """
    text = json.dumps(
        _fixed(document), sort_keys=True, ensure_ascii=False, indent=1, separators=(",", ": ")
    )
    return f"{text}\n".encode()


def _fixed(value: object) -> object:
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return fixed(value)
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, Mapping):
        return {str(name): _fixed(held) for name, held in value.items()}
    if isinstance(value, list | tuple):
        return [_fixed(each) for each in value]
    raise TypeError(f"{type(value).__name__} has no place in canonical JSON")


def fixed(value: float) -> str:
    """Return a number with ten digits after the point, and no 0 below 0."""
    if not math.isfinite(value):
        raise ValueError(f"{value} is no number")
    text = f"{value:.{DIGITS}f}"
    return text.removeprefix("-") if float(text) == 0 else text
