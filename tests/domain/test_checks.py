"""Rules of the trade that warn: common practice, no source, where a case names none."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from registry.domain.checks import ScrewFacts, case_warnings, scan_warnings
from registry.domain.techniques import EntryTechnique, Intention, Life, exists_at

CORTICAL = EntryTechnique.CORTICAL_BONE_TRAJECTORY
ISTHMUS, LATERAL = EntryTechnique.ISTHMUS, EntryTechnique.LATERAL_INTERSECTION


def screw(level, technique=LATERAL, side="L", **more):
    return ScrewFacts(level, side, 1, technique, **more)


def pair(level, technique=LATERAL, **more):
    return [screw(level, technique, side, **more) for side in "LR"]


def said(*screws):
    """Return what is said of screws; that a whole side is empty has tests of its own."""
    told = [(warned.screw, warned.text) for warned in case_warnings(screws)]
    return [each for each in told if each[0] != "construct"]


GAP = "no screw at this level of the construct"
NO_SIDE = "no screw on this side"
TOP = "isthmus entry at the top of the construct"
BENEATH = "isthmus entry beneath an uninstrumented facet joint"
CASES = {
    "nothing unusual": ([screw("L4"), screw("L5", ISTHMUS)], []),
    "isthmus at the top": ([screw("L4", ISTHMUS), screw("L5")], [("L4 L", TOP)]),
    "isthmus under a gap": (
        [screw("L3"), screw("L5", ISTHMUS)],
        [("L4", GAP), ("L5 L", BENEATH)],
    ),
    "the other side fills the level": (
        [screw("L4", side="R"), screw("L5", ISTHMUS)],
        [("L4 L", NO_SIDE), ("L5 R", NO_SIDE)],
    ),
    "a removed screw fills nothing": (
        [screw("L4", life=Life.REMOVED), screw("L5", ISTHMUS)],
        [("L5 L", TOP)],
    ),
    "a redirected one does": ([screw("L4", life=Life.REDIRECTED), screw("L5", ISTHMUS)], []),
    "under a level left out on purpose": ([*pair("L2"), *pair("L4")], [("L3", GAP)]),
    "a side left out": ([*pair("L2"), screw("L3", side="R"), *pair("L4")], [("L3 L", NO_SIDE)]),
    "a retained screw fills its place": (
        [*pair("L2"), *pair("L3", life=Life.RETAINED), *pair("L4")],
        [],
    ),
    "a removed one leaves it": (
        [*pair("L2"), screw("L3", side="R"), screw("L3", life=Life.REMOVED), *pair("L4")],
        [("L3 L", NO_SIDE)],
    ),
    "few people have T13 or L6": (
        [
            *pair("T12", EntryTechnique.SUBFACET),
            *pair("L1"),
            *(each for level in ("L2", "L3", "L4", "L5") for each in pair(level)),
            *pair("S1", EntryTechnique.SACRAL_FACET_CORNER),
            *pair("ilium", EntryTechnique.OTHER),
        ],
        [],
    ),
    # Christodoulou et al., Clin Anat 18:404, 2005
    "5.5 mm at T5": (
        [screw("T5", EntryTechnique.SUBFACET, diameter_mm=Decimal("5.5"))],
        [
            (
                "T5 L",
                (
                    "diameter 5.5 mm at T5 is above 5.0 mm: a CT before the operation is advised "
                    "for a wider one (Christodoulou 2005)"
                ),
            )
        ],
    ),
    "5.0 mm at T5, 5.5 mm at T9": (
        [
            screw("T5", EntryTechnique.SUBFACET, diameter_mm=Decimal("5.0")),
            *(screw(f"T{n}", EntryTechnique.SUBFACET) for n in (6, 7, 8)),
            screw("T9", EntryTechnique.SUBFACET, diameter_mm=Decimal("5.5")),
        ],
        [],
    ),
    # Lower lumbar vertebra size, 95 patients, 2019: mean lengths 55.34 and 51.80 mm
    "55 mm at L4 and at L5": (
        [screw("L4", length_mm=Decimal(55)), screw("L5", length_mm=Decimal(55))],
        [
            (
                "L5 L",
                (
                    "length 55 mm at L5 is above 51.8 mm: the mean path to the front of the body "
                    "(2019)"
                ),
            )
        ],
    ),
    # Aorta and kyphotic spine, Spine 2012: chords T4 37.7 and T12 47.2 mm
    "40 mm at T4, 45 mm at T12": (
        [screw("T4", EntryTechnique.SUBFACET, length_mm=Decimal(40))],
        [
            (
                "T4 L",
                (
                    "length 40 mm at T4 is above 37.7 mm: the mean path to the front of the body "
                    "(Spine 2012)"
                ),
            )
        ],
    ),
    # Tomographic parameters of cortical screws, 2022: length 19 to 45 mm, diameter 2.3 to 7.2 mm
    "50 mm on the cortical trajectory": (
        [screw("L4", CORTICAL, length_mm=Decimal(50)), screw("L5", length_mm=Decimal(50))],
        [
            (
                "L4 L",
                "length 50 mm at L4 is above 45.0 mm: seen on CT for this trajectory (2022)",
            )
        ],
    ),
    "beneath T12": (
        [*pair("T12", EntryTechnique.SUBFACET), *pair("L1", ISTHMUS), *pair("L2")],
        [],
    ),
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
        [screw("L3", length_mm=Decimal(61))],
        [("L3 L", "length 61 mm is outside 20 to 60 mm")],
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
        [screw("L3", length_mm=Decimal(70)), screw("L2", length_mm=Decimal(70))],
        [
            ("L2 L", "length 70 mm is outside 20 to 60 mm"),
            ("L3 L", "length 70 mm is outside 20 to 60 mm"),
        ],
    ),
}


@pytest.mark.parametrize(("screws", "expected"), CASES.values(), ids=CASES)
def test_a_construct_is_looked_over(screws, expected):
    assert said(*screws) == expected


@pytest.mark.parametrize(("side", "empty"), [("L", "R"), ("R", "L")])
def test_a_construct_of_one_side_is_said_to_be_so_once(side, empty):
    told = case_warnings([screw("L3", side=side), screw("L4", side=side)])
    assert [(each.screw, each.text) for each in told] == [
        ("construct", f"no screw on side {empty}")
    ]


def test_nothing_is_said_of_a_construct_without_screws():
    assert case_warnings([]) == []


def test_an_intention_recorded_after_imaging_does_not_count_as_intended():
    imaged = datetime(2026, 2, 3, 12, tzinfo=UTC)
    late = screw(
        "L4", intention=Intention.BICORTICAL, intended_at=datetime(2026, 2, 3, 12, 1, tzinfo=UTC)
    )
    in_time = screw("L5", intention=Intention.BICORTICAL, intended_at=imaged)
    told = [each for each in case_warnings([late, in_time], imaged) if each.screw != "construct"]
    assert [(each.screw, each.text) for each in told] == [
        ("L4 L", "intention bicortical was recorded after imaging: it does not count as intended")
    ]
    assert [each.screw for each in case_warnings([late, in_time])] == ["construct"]


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
