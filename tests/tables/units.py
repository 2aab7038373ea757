"""Builders of screws for a frame, and Hypothesis' own invented units of them."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from hypothesis import strategies as st

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.techniques import Intention, Life
from reports.frame import ScrewRow

CONTAINED = dict.fromkeys(PEDICLE_WALLS, Decimal("0.0"))


def extents(**millimetres):
    """Return a contained screw's extents with some of them set: medial="2.1", caudal=None."""
    given = {
        Direction(name): None if value is None else Decimal(value)
        for name, value in millimetres.items()
    }
    return CONTAINED | given


def a_screw(screw_id=1, **fields):
    made = {
        "patient": "P1",
        "case_id": 1,
        "operated_on": date(2025, 3, 4),
        "level": "L4",
        "side": "L",
        "number": 1,
        "entry_technique": "lateral intersection",
        "guidance": "freehand",
        "surgeon": 1,
        "imaged": True,
        "extents_mm": CONTAINED,
    } | fields
    return ScrewRow(screw_id=screw_id, **made)


LEVELS = ["C5", "T9", "T10", "L1", "L5", "S1", "S2 alar-iliac", "ilium"]
ODD_EXTENTS = [None, "0.0", "0.0", "0.0", "0.1", "1.9", "2.0", "3.9", "4.0", "6.3"]

_extent = st.sampled_from(ODD_EXTENTS).map(lambda text: None if text is None else Decimal(text))
_details = st.fixed_dictionaries(
    {
        "entry_technique": st.sampled_from(["isthmus", "subfacet"]),
        "guidance": st.sampled_from(["freehand", "navigation"]),
        "operator": st.sampled_from([None, 1, 4]),
        "indication": st.sampled_from([None, "fracture", "Deformity"]),
        "diameter_mm": st.sampled_from([None, Decimal("5.5"), Decimal("10.0")]),
        "life": st.sampled_from([Life.PLACED, Life.REDIRECTED]),
        "intention": st.sampled_from([None, None, *Intention]),
        "provisional": st.booleans(),
        "extents_mm": st.none()
        | st.fixed_dictionaries(dict.fromkeys(Direction, _extent))
        | st.just(CONTAINED),
    }
)
_case = st.fixed_dictionaries(
    {
        "patient": st.sampled_from(["P1", "P2", "P3", "P4", "P5"]),
        "operated_on": st.dates(date(2025, 1, 1), date(2025, 12, 31)),
        "surgeon": st.sampled_from([1, 2, 3]),
    }
)
_place = st.tuples(st.sampled_from(LEVELS), st.sampled_from(["L", "R"]), st.integers(1, 2))


@st.composite
def screws(draw, max_cases=6):
    """Draw the rows of an invented unit; a screw without extents has no scan."""
    rows = []
    for case_id, case in enumerate(draw(st.lists(_case, max_size=max_cases))):
        for level, side, number in draw(st.lists(_place, unique=True, max_size=8)):
            details = draw(_details)
            measured = details.pop("extents_mm")
            rows.append(
                ScrewRow(
                    screw_id=len(rows) + 1,
                    case_id=case_id,
                    level=level,
                    side=side,
                    number=number,
                    imaged=measured is not None,
                    extents_mm=measured or {},
                    **case,
                    **details,
                )
            )
    return rows
