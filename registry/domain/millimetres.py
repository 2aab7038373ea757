"""Lengths as the ledger keeps them: whole tenths of a millimetre."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal

TENTH = Decimal("0.1")
_NUMBER = re.compile(r"[+-]?(\d{1,6}(\.\d{0,9})?|\.\d{1,9})", re.ASCII)
LARGEST_EXTENT_MM = Decimal("60.0")
"""No extent beyond a screw's own length is believed; a check of ours, no source."""


def to_tenths(value: Decimal) -> Decimal:
    """Return `value` rounded half up to a tenth.

    Examples
    --------
    >>> to_tenths(Decimal("2.05"))
    Decimal('2.1')
    """
    return value.quantize(TENTH, rounding=ROUND_HALF_UP)


def measured_to_stored(value_mm: float, floor_mm: Decimal) -> Decimal:
    """Return a measured extent as it is stored: 0 below the floor, then rounded half up.

    Parameters
    ----------
    value_mm : float, millimetres, 0 or more
    floor_mm : Decimal, what lies below it is not seen on CT

    Examples
    --------
    >>> measured_to_stored(0.29, Decimal("0.3")), measured_to_stored(1.96, Decimal("0.3"))
    (Decimal('0.0'), Decimal('2.0'))
    """
    exact = Decimal(repr(float(value_mm)))
    if exact < floor_mm:
        return Decimal("0.0")
    return to_tenths(exact)


def parse_tenths(text: str) -> Decimal:
    """Return a typed number of at most one decimal place, as typed.

    Raises
    ------
    ValueError
        not a number, negative, or finer than a tenth
    """
    found = _NUMBER.fullmatch(text.strip())
    if found is None:
        raise ValueError("give a number such as 2.1")
    value = Decimal(text.strip())
    if value.is_signed() and value != 0:
        raise ValueError("give 0 or more")
    if value != value.quantize(TENTH, rounding=ROUND_HALF_UP):
        raise ValueError("give whole tenths of a millimetre, at most one decimal place")
    return abs(value.quantize(TENTH))
