"""Invented units for a colleague to attack, and the attack: every answer as a linear equation.

The colleague knows the theatre list: which screws there are, whose, when, at which level and how
put in, and which of them are graded. What they do not know is which are breached. Each count of
breached screws that they are shown says what a set of those unknowns adds up to; what follows from
all of them together is what linear algebra makes of their sums and differences.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from itertools import permutations, product
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.count_limited import Asker, limited_rates, settled_question
from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.domain.disclosure import settled_until
from registry.domain.techniques import Intention
from reports.frame import Event, Intended, ScrewRow, Threshold, frame
from reports.tables.rates import Question
from reports.tables.splits import PERSONS, IntervalName, Split

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import numpy.typing as npt
    import pandas as pd

    from reports.tables.rates import RateTable

    Mask = npt.NDArray[np.bool_]

FIRST_YEAR = 2024
QUARTERS = [date(2024, 4, 1), date(2024, 7, 1), date(2024, 10, 1), date(2025, 1, 1),
            date(2025, 4, 1), date(2025, 7, 1), date(2025, 10, 1), date(2026, 1, 1)]  # fmt: skip
TODAY = date(2026, 5, 4)
WINDOW = 90
_LEVELS = ("C5", "T8", "L3", "L4", "L5", "S1", "S2 alar-iliac")
_TECHNIQUES = ("isthmus", "lateral intersection", "percutaneous")
_GUIDANCE = ("freehand", "navigation", "fluoroscopy")


def invented_unit(surgeons: int, seed: int, *, cases_each: int = 9) -> pd.DataFrame:
    """Return two years of surgeons 1 to n and registrars 101 to 103, all with their own habits."""
    rng = np.random.default_rng([surgeons, seed])
    rows: list[ScrewRow] = []
    for surgeon in range(1, surgeons + 1):
        levels = rng.dirichlet(np.ones(len(_LEVELS)) * 0.8)
        ways = rng.dirichlet(np.ones(len(_TECHNIQUES)))
        aid, risk = str(rng.choice(_GUIDANCE)), rng.uniform(0.05, 0.4)
        for turn in range(max(2, int(cases_each * rng.uniform(0.4, 1.8)))):
            case = 10_000 * surgeon + turn
            day = date(FIRST_YEAR, 1, 1) + timedelta(days=int(rng.integers(0, 731)))
            helper = int(rng.integers(101, 104)) if rng.random() < 0.3 else None
            is_imaged = rng.random() < 0.93
            indication = str(rng.choice(["degenerative", "trauma", "tumour"], p=[0.7, 0.2, 0.1]))
            chosen = rng.choice(_LEVELS, size=int(rng.integers(1, 3)), replace=False, p=levels)
            rows += [
                ScrewRow(
                    screw_id=len(rows) + 1 + number,
                    patient=f"p{case}",
                    case_id=case,
                    operated_on=day,
                    level=str(level),
                    side=side,
                    number=1,
                    entry_technique=str(rng.choice(_TECHNIQUES, p=ways)),
                    guidance=aid if rng.random() < 0.9 else "freehand",
                    surgeon=surgeon,
                    operator=helper if rng.random() < 0.6 else None,
                    indication=indication,
                    diameter_mm=Decimal(str(rng.choice(["5.5", "6.5", "7.5"]))),
                    intention=Intention.IN_OUT_IN if rng.random() < 0.05 else None,
                    imaged=is_imaged,
                    extents_mm=_extents(rng, risk) if is_imaged else {},
                )
                for number, (level, side) in enumerate(product(chosen, Side))
            ]
    return frame(rows)


def _extents(rng: np.random.Generator, risk: float) -> dict[Direction, Decimal | None]:
    found: dict[Direction, Decimal | None] = dict.fromkeys(PEDICLE_WALLS, Decimal(0))
    if rng.random() < risk:
        wall = list(PEDICLE_WALLS)[int(rng.integers(0, 4))]
        found[wall] = Decimal(int(rng.integers(5, 70))) / 10
    if rng.random() < 0.08:
        found[Direction.LATERAL] = None
    if rng.random() < 0.3:
        found[Direction.ANTERIOR] = Decimal(int(rng.integers(0, 40))) / 10
    return found


@dataclass(frozen=True)
class Colleague:
    """Who attacks: a surgeon or a registrar of the unit, or a registrar who never operates."""

    person: int | None
    is_surgeon: bool

    def known(self, unit: pd.DataFrame) -> Mask:
        """Return the screws whose results they know, by plain reading of the list."""
        if self.person is None:
            return np.zeros(len(unit), dtype=np.bool_)
        operator = unit["operator"].fillna(0).to_numpy(dtype=np.int64)
        known: Mask = (unit["surgeon"].to_numpy() == self.person) | (operator == self.person)
        return known

    def ask(self, unit: pd.DataFrame, question: Question, today: date = TODAY) -> RateTable:
        """Return the program's answer on a day."""
        settled = settled_until(today, WINDOW)
        loaded = unit[unit["operated_on"].dt.date <= today]
        first = loaded["operated_on"].min().date() if len(loaded) else None
        asked = settled_question(question, first, settled)
        end = asked.end or today
        until = loaded[loaded["operated_on"].dt.date <= end].reset_index(drop=True)
        asker = Asker(self.person, "me", self.is_surgeon, self.known(until), settled, b"invented")
        return limited_rates(until, asker, asked)


def colleagues(unit: pd.DataFrame) -> list[Colleague]:
    """Return one of each kind: every surgeon, a registrar who operates, one who does not."""
    surgeons = [Colleague(int(person), is_surgeon=True) for person in unit["surgeon"].unique()]
    return [*surgeons, Colleague(101, is_surgeon=False), Colleague(None, is_surgeon=False)]


def periods() -> list[tuple[date | None, date | None]]:
    """Return none, every quarter and year, everything up to each of their ends, and odd days."""
    ends = [start - timedelta(days=1) for start in QUARTERS]
    starts = [date(FIRST_YEAR, 1, 1), *QUARTERS]
    return [
        (None, None),
        *((None, end) for end in ends),
        *zip(starts, ends, strict=False),
        (date(2024, 1, 1), date(2024, 12, 31)),
        (date(2025, 1, 1), date(2025, 12, 31)),
        (date(2024, 4, 1), date(2025, 6, 30)),
        (date(2024, 5, 17), date(2025, 2, 3)),
        (None, date(2024, 10, 8)),
        (date(2025, 3, 3), date(2025, 3, 3)),
        (date(2025, 3, 3), None),
        (None, TODAY),
    ]


def questions(event: Event, colleague: Colleague) -> Iterator[Question]:
    """Yield every question of the grammar about an event that the colleague may ask."""
    splits = [
        split
        for split in Split
        if not (split is Split.SURGEON and not colleague.is_surgeon)
        and not (split in PERSONS and colleague.person is None)
    ]
    for by in [(), *((split,) for split in splits), *permutations(splits, 2)]:
        for start, end in periods():
            yield Question(
                by=by,
                start=start,
                end=end,
                threshold=event.threshold,
                direction=event.direction,
                intended=event.intended,
                minimum=0,
            )


EVENTS = [Event(threshold, wall, intended) for threshold in Threshold
          for wall in (None, Direction.LATERAL, Direction.ANTERIOR)
          for intended in Intended]  # fmt: skip
INTERVALS = list(IntervalName)


def members(
    unit: pd.DataFrame, table: RateTable, stratum: dict[Split, str], me: int | None
) -> Mask:
    """Return which screws a row counts, by plain reading of the list.

    Levels without a pedicle grade stand in tables by level alone.
    """
    asked = table.question
    days = unit["operated_on"].dt.date.to_numpy()
    found = (days >= (asked.start or date.min)) & (days <= (asked.end or date.max))
    if Split.LEVEL not in asked.by:
        found &= ~unit["level"].isin(["S2 alar-iliac"]).to_numpy()
    for split, text in stratum.items():
        if split in PERSONS:
            assert text == "me"
            found &= (unit[split.value].fillna(0) == me).to_numpy(dtype=np.bool_)
        elif split is Split.DIAMETER:
            found &= (unit["diameter_mm"] == float(text)).to_numpy()
        else:
            found &= (unit[split.value] == text).to_numpy()
    return found


def equations(
    unit: pd.DataFrame, colleague: Colleague, answers: Iterable[RateTable], event: Event
) -> tuple[Mask, npt.NDArray[np.int64]]:
    """Return the sets of graded screws whose breaches were shown, and those counts."""
    graded = event.graded(unit).to_numpy()
    found: dict[bytes, tuple[Mask, int]] = {}
    for table in answers:
        for row in table.rows:
            counted = members(unit, table, dict(row.stratum), colleague.person)
            assert counted.sum() == row.placed, "the attack misreads the answer"
            counted &= graded
            found[counted.tobytes()] = (counted, row.breached)
    if not found:
        return np.zeros((0, len(unit)), dtype=np.bool_), np.zeros(0, dtype=np.int64)
    sets, counts = zip(*found.values(), strict=True)
    return np.array(sets), np.array(counts)


def told(unit: pd.DataFrame, colleague: Colleague, sets: Mask) -> set[int]:
    """Return every other person of whom some sum of breaches follows from the sets shown.

    What the colleague knows is subtracted first. A combination of the rest that is left with
    screws of one person alone exists when leaving that person's screws out lowers the rank.
    """
    unknown = ~colleague.known(unit)
    shown = np.unique(sets[:, unknown].astype(np.float64), axis=0)
    surgeon = unit["surgeon"].to_numpy()[unknown]
    operator = unit["operator"].fillna(0).to_numpy(dtype=np.int64)[unknown]
    whole = _rank(shown)
    others = {int(person) for person in [*surgeon, *operator]} - {0}
    return {
        person
        for person in others
        if _rank(shown[:, (surgeon != person) & (operator != person)]) < whole
    }


def _rank(sets: npt.NDArray[np.float64]) -> int:
    """Return the rank of sets of 0 and 1; screws in the same sets count once, by their number."""
    if not sets.size:
        return 0
    columns, counts = np.unique(sets, axis=1, return_counts=True)
    return int(np.linalg.matrix_rank(columns * np.sqrt(counts)))
