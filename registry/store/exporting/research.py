"""The tables of a research extract, and the page that says what was done to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.small_counts import LEAST_SHOWN, ROUNDED_TO
from registry.store.exporting.shapes import Field, Kind, Shape

if TYPE_CHECKING:
    from collections.abc import Sequence

READ_ME = "README.txt"
NOT_SAID = "not said"
HIDDEN = "*"
GRADED = "graded"

DESCRIPTION = (
    "Counts of placed pedicle screws of one unit. There is no patient, no person, no day and no "
    f"reference in them. Screws of fewer than {LEAST_SHOWN} patients are hidden, other counts are "
    f"rounded to the nearest {ROUNDED_TO}, and every sum is of the shown counts alone."
)

_STEPS = (
    "placed: put in and in the patient at closure; imaged: the case has an audit scan; graded: "
    "every wall that the level needs was measured there; second-read: a second reading or an "
    "adjudication as well"
)


def counts_shape(factors: Sequence[str]) -> Shape:
    """Return the shape of the counts, split by these columns."""
    split = tuple(Field(name, Kind.TEXT, _FACTORS[name], is_required=True) for name in factors)
    return Shape(
        "counts",
        "One row a cell; no screw is in two. A cell without any screw has no row.",
        (
            *split,
            Field(
                "reached",
                Kind.TEXT,
                f"the last step that the screws came to ({_STEPS})",
                words=("placed", "imaged", GRADED, "second-read"),
                is_required=True,
            ),
            Field("why", Kind.TEXT, "why no further, or the grade", is_required=True),
            Field(
                "screws",
                Kind.WHOLE,
                f"screws, rounded to the nearest {ROUNDED_TO}; {HIDDEN} where hidden",
                least=0,
                empty_as=HIDDEN,
            ),
            Field(
                "hidden",
                Kind.TRUTH,
                f"the screws are of 1 to {LEAST_SHOWN - 1} patients",
                is_required=True,
            ),
        ),
        (*factors, "reached", "why"),
    )


def flow_shape() -> Shape:
    """Return the shape of the flow from placed to second-read."""
    return Shape(
        "flow",
        "How many screws came to each step and why no further: sums of the table counts.",
        (
            Field(
                "step", Kind.TEXT, f"{_STEPS}; or where screws came no further", is_required=True
            ),
            Field("why", Kind.TEXT, "why no further; empty for all that came to the step"),
            Field("screws", Kind.WHOLE, "sum of the shown counts", is_required=True, least=0),
            Field(
                "hidden_cells",
                Kind.WHOLE,
                "hidden cells, whose screws are not in the sum",
                is_required=True,
                least=0,
            ),
        ),
        (),
    )


_FACTORS = {
    "year": "calendar year of the operation; no day leaves the ledger",
    "region": "region of the spine",
    "level": "level",
    "entry_technique": "where the bone was entered; a unit's own words are other",
    "guidance": "what guided the screw",
    "revision": "primary or revision",
    "body_mass_index": "body mass index in bands, kg/m2",
    "surgeon": "code of the responsible surgeon, drawn anew for each extract and kept nowhere",
}


def read_me(grades: str) -> bytes:
    """Return the page that says what is in the extract and what was done to it."""
    return f"""Counts of pedicle screws for research

counts   one row a cell: how far its screws came, why no further or with which grade
flow     sums of counts: placed, imaged, graded, second-read, with the reasons
datapackage.json   the dictionary: every field with its type, unit and meaning

{_STEPS}.
Grades, of the greatest extent through the pedicle's walls in mm: {grades}.

What was done to it
- No patient, no person, no reference, no free text and no day is in any file. Of the day of
  operation the calendar year is left. Body mass index stands in bands. Days of birth are encrypted
  in the ledger and were not opened, so ages are not here. Surgeons, where they were asked for, have
  codes that were drawn for this extract alone and are kept nowhere.
- A cell whose screws are of 1 to {LEAST_SHOWN - 1} patients is hidden: its count is {HIDDEN}.
  Other counts are rounded to the nearest {ROUNDED_TO}.
  Source of the rule: NHS Digital, Disclosure control methodology for Hospital Episode Statistics,
  from September 2018. It speaks of counts of people; here it is put to the patients behind the
  screws, which is stricter.
- No screw is in two cells, and each sum in flow is of the shown counts alone, so that no hidden
  count can be found by subtraction. The sums are therefore smaller than the truth wherever hidden
  cells are counted beside them, and no share of all screws may be worked out from them.
- Two extracts of one ledger, split in different ways, can be compared with each other: rounding
  leaves each count uncertain by two, but whoever gives out several should give them to one hand.

For audit and quality improvement; not for diagnosis or treatment decisions; follow local policy and
licensed practice.
""".encode()
