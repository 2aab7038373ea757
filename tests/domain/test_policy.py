"""The unit's own policy: what meets it is the unit's to say (common practice, no source)."""

from __future__ import annotations

from decimal import Decimal

import pytest

from registry.domain.directions import Direction
from registry.domain.policy import Policy

LIMITS = ((Direction.MEDIAL, Decimal(4)), (Direction.ANTERIOR, Decimal("2.5")))


@pytest.mark.parametrize(
    ("medial", "anterior", "met"),
    [
        ("3.9", None, ""),
        ("4.0", None, "medial 4.0 mm (from 4 mm on)"),
        ("0.0", "2.5", "anterior 2.5 mm (from 2.5 mm on)"),
        ("5.1", "3.0", "medial 5.1 mm (from 4 mm on), anterior 3.0 mm (from 2.5 mm on)"),
        (None, None, ""),
    ],
)
def test_a_reading_meets_the_policy_from_its_limits_on(medial, anterior, met):
    extents = {
        Direction.MEDIAL: None if medial is None else Decimal(medial),
        Direction.ANTERIOR: None if anterior is None else Decimal(anterior),
        Direction.LATERAL: Decimal("9.9"),
    }
    assert Policy("Tell the ward.", LIMITS).met(extents) == met
    assert Policy("", LIMITS).met(extents) == ""
