"""Which parts of the whole unit may be counted for who may not see every surgeon.

The rule and its reasons stand in `registry.domain.disclosure`.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np
from pandas.util import hash_pandas_object

from registry.domain.disclosure import LARGEST_SHARE, OTHERS_IN_A_PART, quarter_words
from reports.statistics.subtraction import safe_sums
from reports.tables.splits import Split, keys_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    import numpy.typing as npt
    import pandas as pd

    from reports.tables.rates import Question

    Mask = npt.NDArray[np.bool_]

# What is let through first hides what would tell a person together with it.
_SPLITS = (
    Split.REGION,
    Split.LEVEL,
    Split.SIDE,
    Split.GUIDANCE,
    Split.ENTRY_TECHNIQUE,
    Split.INDICATION,
    Split.DIAMETER,
)

_LOOKED_AT = (
    *("operated_on", "quarter", "pedicle", "surgeon", "operator"),
    *("diameter_mm" if split is Split.DIAMETER else split.value for split in _SPLITS),
)
"""All that the answer depends on of a screw."""

_MOST_KEPT = 64
_kept: dict[bytes, frozenset[Part]] = {}
_turn = Lock()
"""Requests share what is kept."""


@dataclass(frozen=True)
class Part:
    """The screws of some quarters on end, or those of a year that are alike in one split.

    Attributes
    ----------
    when : quarters or a year, as in 2026Q3 and 2026
    split, value : None and "" for the quarters' total
    """

    when: frozenset[str]
    split: Split | None = None
    value: str = ""


def shown_parts(unit: pd.DataFrame, graded: Mask, known: Mask, settled: date) -> frozenset[Part]:
    """Return the parts that may be shown.

    `graded` says which screws the event is counted on, `known` of which the viewer knows the
    results; what is shown depends on these and never on a result. The last answers are kept: one
    page asks the same for many of its numbers.
    """
    looked_at = hash_pandas_object(unit[list(_LOOKED_AT)], index=False).to_numpy()
    said = (looked_at.tobytes(), graded.tobytes(), known.tobytes(), str(settled).encode())
    key = hashlib.sha256(b"|".join(said)).digest()
    found = _kept.get(key)
    if found is None:
        found = _shown_parts(unit, graded, known, settled)
        with _turn:
            _kept[key] = found
            while len(_kept) > _MOST_KEPT:
                del _kept[next(iter(_kept))]
    return found


def _shown_parts(unit: pd.DataFrame, graded: Mask, known: Mask, settled: date) -> frozenset[Part]:
    years = unit["operated_on"].dt.year.to_numpy()
    shown: set[Part] = set()
    for year in np.unique(years):
        inside = years == year
        shown |= _of_year(unit[inside], graded[inside], known[inside], settled)
    return frozenset(shown)


def visible_screws(unit: pd.DataFrame, question: Question, parts: frozenset[Part]) -> Mask:
    """Return which of the screws asked for stand in strata that may be shown.

    A stratum is shown when each of its parts is: none where the whole is asked for and one
    quarter may not be shown.
    """
    asked = unit["pedicle"].to_numpy() | (question.by == (Split.LEVEL,))
    if question.start:
        asked &= (unit["operated_on"].dt.date >= question.start).to_numpy()
    split = question.by[0] if question.by else None
    quarters = unit["quarter"].to_numpy(dtype=object)
    if split is None or split is Split.QUARTER:
        strata = quarters if split else np.full(len(unit), "", dtype=object)
        inside = frozenset(quarters[asked])
        whole = [part.when for part in parts if part.split is None and part.when <= inside]
        told = {quarter for when in whole if not split or len(when) == 1 for quarter in when}
        is_hidden = [quarter not in told for quarter in quarters]
    else:
        strata = keys_of(unit, split).astype(str).to_numpy(dtype=object)
        known = {(year, part.value) for part in parts if part.split is split for year in part.when}
        years = [quarter[:4] for quarter in quarters]
        is_hidden = [pair not in known for pair in zip(years, strata, strict=True)]
    hidden = set(strata[asked & np.array(is_hidden, dtype=np.bool_)])
    return np.array([stratum not in hidden for stratum in strata], dtype=np.bool_)


@dataclass(frozen=True)
class _Persons:
    """Who put in which screws of a year: rows are persons, columns screws."""

    responsible: Mask
    operating: Mask

    @property
    def took_part(self) -> Mask:
        """Return who took part at all."""
        taken: Mask = self.responsible | self.operating
        return taken

    def are_enough(self, counted: Mask) -> bool:
        """Return whether enough persons have screws there, or none has."""
        if not counted.any():
            return True
        fewest = min(
            (role & counted).any(axis=1).sum() for role in (self.responsible, self.operating)
        )
        largest = (self.took_part & counted).sum(axis=1).max() / counted.sum()
        return bool(fewest >= OTHERS_IN_A_PART and largest <= LARGEST_SHARE)


def _of_year(year: pd.DataFrame, graded: Mask, known: Mask, settled: date) -> set[Part]:
    """Return the shown parts of one calendar year; years share no screw."""
    persons = _persons(year)
    candidates = list(_candidates(year, persons, ~known, settled))
    if not candidates:
        return set()
    parts = [part for part, _ in candidates]
    members = np.array([members for _, members in candidates])
    shown = np.ones(len(parts), dtype=np.bool_)
    for counted in (~known, ~known & graded):
        for place in np.flatnonzero(shown):
            shown[place] = persons.are_enough(members[place] & counted)
        left = np.flatnonzero(shown)
        shown[left] = safe_sums(members[left][:, counted], persons.took_part[:, counted])
    return {part for part, is_shown in zip(parts, shown, strict=True) if is_shown}


def _persons(year: pd.DataFrame) -> _Persons:
    """Return who put in which screws; where no operator is stated, the responsible surgeon."""
    surgeon = year["surgeon"].to_numpy(dtype=np.int64)
    operator = year["operator"].fillna(year["surgeon"]).to_numpy(dtype=np.int64)
    each = np.unique([*surgeon, *operator])[:, None]
    return _Persons(surgeon == each, operator == each)


def _candidates(
    year: pd.DataFrame, persons: _Persons, unknown: Mask, settled: date
) -> Iterator[tuple[Part, Mask]]:
    """Yield each part with its screws, in the order in which they are let through.

    A quarter that has too few others is counted together with those after it.
    """
    pedicle = year["pedicle"].to_numpy()
    quarters = year["quarter"].to_numpy(dtype=object)
    last = quarter_words(settled)
    run, inside = frozenset[str](), np.zeros(len(year), dtype=np.bool_)
    for quarter in sorted({quarter for quarter in quarters[pedicle] if quarter <= last}):
        run, inside = run | {quarter}, inside | ((quarters == quarter) & pedicle)
        if persons.are_enough(inside & unknown):
            yield Part(run), inside
            run, inside = frozenset(), np.zeros(len(year), dtype=np.bool_)
    number = quarters[0][:4]
    if f"{number}Q4" > last:
        return
    for split in _SPLITS:
        values = keys_of(year, split).astype(str).to_numpy(dtype=object)
        counted = pedicle | (split is Split.LEVEL)
        found = {value: (values == value) & counted for value in set(values[counted])}
        for value in sorted(found, key=lambda value: (-int(found[value].sum()), value)):
            yield Part(frozenset({number}), split, value), found[value]
