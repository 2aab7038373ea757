"""Rules of the trade that warn: common practice, no source."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from registry.domain.checks import ScrewFacts, case_warnings, scan_warnings
from registry.domain.techniques import EntryTechnique, Life, exists_at

ISTHMUS, LATERAL = EntryTechnique.ISTHMUS, EntryTechnique.LATERAL_INTERSECTION


def screw(level, technique=LATERAL, side="L", **more):
    return ScrewFacts(level, side, 1, technique, **more)


def said(*screws):
    return [(warned.screw, warned.text) for warned in case_warnings(screws)]


TOP = "isthmus entry at the top of the construct"
BENEATH = "isthmus entry beneath an uninstrumented facet joint"
CASES = {
    "nothing unusual": ([screw("L4"), screw("L5", ISTHMUS)], []),
    "isthmus at the top": ([screw("L4", ISTHMUS), screw("L5")], [("L4 L", TOP)]),
    "isthmus under a gap": ([screw("L3"), screw("L5", ISTHMUS)], [("L5 L", BENEATH)]),
    "the other side fills the level": ([screw("L4", side="R"), screw("L5", ISTHMUS)], []),
    "a removed screw fills nothing": (
        [screw("L4", life=Life.REMOVED), screw("L5", ISTHMUS)],
        [("L5 L", TOP)],
    ),
    "a redirected one does": ([screw("L4", life=Life.REDIRECTED), screw("L5", ISTHMUS)], []),
    "beneath T13": ([screw("T13", EntryTechnique.SUBFACET), screw("L1", ISTHMUS)], []),
    "isthmus in the thorax": (
        [screw("T11", EntryTechnique.SUBFACET), screw("T12", ISTHMUS)],
        [("T12 L", "isthmus entry does not exist at T12")],
    ),
    "subfacet in the lumbar spine": (
        [screw("L4", EntryTechnique.SUBFACET)],
        [("L4 L", "subfacet entry does not exist at L4")],
    ),
    "as thin as 3.4 mm": (
        [screw("L4", diameter_mm=Decimal("3.4"))],
        [("L4 L", "diameter 3.4 mm is outside 3.5 to 10 mm")],
    ),
    "3.5 and 10.0 mm": (
        [screw("L4", diameter_mm=Decimal("3.5")), screw("L5", diameter_mm=Decimal("10.0"))],
        [],
    ),
    "61 mm long": (
        [screw("L4", length_mm=Decimal(61))],
        [("L4 L", "length 61 mm is outside 20 to 60 mm")],
    ),
    "61 mm long in the ilium": (
        [screw("ilium", EntryTechnique.OTHER, length_mm=Decimal(61))],
        [],
    ),
    "a second screw of a side": (
        [ScrewFacts("L4", "R", 2, EntryTechnique.SUBFACET)],
        [("L4 R (2)", "subfacet entry does not exist at L4")],
    ),
    "cranial first": (
        [screw("L5", length_mm=Decimal(70)), screw("L4", length_mm=Decimal(70))],
        [
            ("L4 L", "length 70 mm is outside 20 to 60 mm"),
            ("L5 L", "length 70 mm is outside 20 to 60 mm"),
        ],
    ),
}


@pytest.mark.parametrize(("screws", "expected"), CASES.values(), ids=CASES)
def test_a_construct_is_looked_over(screws, expected):
    assert said(*screws) == expected


def test_a_scan_before_the_operation_is_noted():
    day = date(2026, 2, 3)
    assert scan_warnings(day, day) == []
    (warned,) = scan_warnings(day, date(2026, 2, 2))
    assert warned.text == "scan of 2026-02-02 is before the operation of 2026-02-03"


@pytest.mark.parametrize(
    ("technique", "there", "not_there"),
    [
        (LATERAL, ["L1", "L6"], ["T12", "S1", "C5"]),
        (ISTHMUS, ["L1", "L5"], ["T12", "S1"]),
        (EntryTechnique.SUBFACET, ["T1", "T13"], ["L1", "C7"]),
        (EntryTechnique.SACRAL_FACET_CORNER, ["S1"], ["L5", "S2 alar-iliac"]),
        (EntryTechnique.CERVICAL_PEDICLE, ["C2", "C7"], ["T1"]),
        (EntryTechnique.S2_ALAR_ILIAC, ["S2 alar-iliac"], ["S1"]),
        (EntryTechnique.OTHER, ["C2", "T5", "L3", "S1", "ilium"], []),
    ],
)
def test_a_technique_exists_where_its_anatomy_does(technique, there, not_there):
    assert all(exists_at(technique, level) for level in there)
    assert not any(exists_at(technique, level) for level in not_there)
