"""What a screw's patient and pedicle bring with them: the factors of the case-mix model.

Never what the surgeon chose: guidance, entry technique, diameter, approach.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports.statistics.case_mix import CaseMix, Factor, Refusal, case_mix
from reports.statistics.clustered import unit_clustering
from reports.tables.splits import NOT_STATED

if TYPE_CHECKING:
    import numpy.typing as npt

    from reports.frame import Event

# Cut-offs: body mass index by WHO Technical Report Series 894 (2000), from memory; scoliosis from
# 10 degrees, common practice, no source; 40 degrees and the groups of levels are ours.
_BODY_MASS_INDEX = (25.0, 30.0)
_COBB_DEG = (10.0, 40.0)
_LEVEL_GROUPS = (
    *(("C2 to C6", f"C{n}") for n in range(2, 7)),
    ("C7 to T2", "C7"),
    *(("C7 to T2", f"T{n}") for n in range(1, 3)),
    *(("T3 to T9", f"T{n}") for n in range(3, 10)),
    *(("T10 to T13", f"T{n}") for n in range(10, 14)),
    *(("L1 to L3", f"L{n}") for n in range(1, 4)),
    *(("L4 to L6", f"L{n}") for n in range(4, 7)),
    ("S1", "S1"),
)
_GROUP_OF = {code: group for group, code in _LEVEL_GROUPS}


def factors(screws: pd.DataFrame) -> list[Factor]:
    """Return the factors of screws with a pedicle, in the order in which a model takes them in.

    The pedicle comes first, then what is asked of every patient.
    """
    made = {
        "level": screws["level"].map(_GROUP_OF).fillna(NOT_STATED),
        "side of the curve": screws["curve_side"].fillna("no curve, or not stated"),
        "bone quality": screws["bone_quality"].fillna(NOT_STATED).str.casefold(),
        "Cobb angle in degrees": _banded(screws["cobb_deg"], _COBB_DEG),
        "revision": screws["revision"].map({True: "revision", False: "primary"}).fillna(NOT_STATED),
        "body mass index": _banded(screws["body_mass_index"], _BODY_MASS_INDEX),
    }
    return [
        Factor(name, values.astype(str).to_numpy(dtype=np.str_)) for name, values in made.items()
    ]


def expected_of(
    table: pd.DataFrame, event: Event
) -> tuple[CaseMix | Refusal, npt.NDArray[np.float64]]:
    """Return the model of an event in the whole unit, and what it expects of each row.

    `table` is the frame of every counted screw up to the end of the asked period. The expected
    probabilities have one entry a row, not a number where the row is not graded for the event.
    Where there is no model every graded row has the overall rate.
    """
    graded = event.graded(table).to_numpy(dtype=np.bool_)
    screws = table[graded]
    breached = event.breached(table).to_numpy(dtype=np.bool_)[graded]
    patients = np.unique(screws["patient"].to_numpy(dtype=object), return_inverse=True)[1].astype(
        np.int64
    )
    unit = unit_clustering(breached, patients, screws["surgeon"].to_numpy())
    found = case_mix(breached, patients, factors(screws), unit)
    expected = np.full(len(table), np.nan)
    if isinstance(found, CaseMix):
        expected[graded] = found.expected
    elif len(breached):
        expected[graded] = breached.mean()
    return found, expected


def _banded(values: pd.Series[float], cuts: tuple[float, ...]) -> pd.Series[str]:
    """Return which band each value lies in; a cut belongs to the band that it begins."""
    names = [
        f"below {cuts[0]:g}",
        *(f"{low:g} to below {high:g}" for low, high in pairwise(cuts)),
        f"{cuts[-1]:g} or more",
    ]
    places = np.searchsorted(cuts, values.to_numpy(), "right")
    banded = pd.Series(np.array(names)[places], index=values.index, dtype="str")
    return banded.where(values.notna(), NOT_STATED)
