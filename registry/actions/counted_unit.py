"""Every counted screw of the unit, as it is counted: made once for as long as no record changes.

No viewer is asked here: who may see which stratum is for those to decide who count.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from registry.domain.techniques import Intention, Life
from registry.store.queries.counted_screws import counted_screws
from registry.store.queries.people import all_person_names
from registry.store.queries.second_reads import second_reads
from reports.frame import ScrewRow, frame, with_extents

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date
    from decimal import Decimal

    import numpy.typing as npt
    import pandas as pd

    from registry.domain.directions import Direction
    from registry.store.home import Ledger
    from registry.store.queries.counted_screws import CountedScrew
    from registry.store.queries.second_reads import SecondRead
    from reports.tables.rates import Question, RateTable

    Mask = npt.NDArray[np.bool_]

MOST_ANSWERS = 200
"""Tables that are kept."""


@dataclass(frozen=True)
class CountedUnit:
    """The screws of one state of the ledger; many questions share it, so nobody changes it.

    Attributes
    ----------
    screws : the frame
    rows : that it was made from, in its order
    first : the frame with what the first readings found alone
    reads : second readings, by screw
    is_twice : shape (n,), read twice with what counts decided
    is_outside : shape (n,), read first where no rule of this ledger asks for second readings
    names : of every person, by id
    answers : what was counted of all of them, for who may see it all
    """

    screws: pd.DataFrame
    rows: tuple[ScrewRow, ...]
    first: pd.DataFrame
    reads: Mapping[int, SecondRead]
    is_twice: Mask
    is_outside: Mask
    names: Mapping[int, str]
    answers: dict[Question, RateTable] = field(default_factory=dict)

    def keep_answers(self, made: Mapping[Question, RateTable]) -> None:
        """Keep what was counted, until it is too much."""
        if len(self.answers) + len(made) > MOST_ANSWERS:
            self.answers.clear()
        self.answers.update(made)

    def until(self, day: date | None) -> CountedUnit:
        """Return those that were put in up to a day, it included."""
        if day is None:
            return self
        inside = (self.screws["operated_on"] <= np.datetime64(day)).to_numpy(dtype=np.bool_)
        return self if inside.all() else self.where(inside)

    def where(self, inside: Mask) -> CountedUnit:
        """Return the screws for which an entry is true."""
        return replace(
            self,
            screws=self.screws[inside].reset_index(drop=True),
            rows=tuple(row for row, is_in in zip(self.rows, inside, strict=True) if is_in),
            first=self.first[inside].reset_index(drop=True),
            is_twice=self.is_twice[inside],
            is_outside=self.is_outside[inside],
            answers={},
        )


def counted_unit(ledger: Ledger, until: date | None = None) -> CountedUnit:
    """Return every counted screw operated on up to a day, as the ledger stands."""
    with ledger.reading() as session:

        def made() -> CountedUnit:
            found = counted_screws(session, ledger.settings.audit_window_days, None)
            rows = tuple(screw_row(screw) for screw in found)
            reads = second_reads(session, ledger.settings)
            read = [reads.get(row.screw_id) for row in rows]
            screws = frame(rows)
            return CountedUnit(
                screws=screws,
                rows=rows,
                first=with_extents(screws, [_first(each) for each in read]),
                reads=reads,
                is_twice=_mask(each is not None and each.is_twice for each in read),
                is_outside=_mask(each is not None and not each.is_by_rule for each in read),
                names=all_person_names(session),
            )

        whole: CountedUnit = ledger.counted.get(session, made)
    return whole.until(until)


def screw_row(screw: CountedScrew) -> ScrewRow:
    """Return a counted screw as a row of the frame."""
    return ScrewRow(
        screw_id=screw.screw_id,
        patient=screw.patient,
        case_id=screw.case_id,
        operated_on=screw.operated_on,
        level=screw.level,
        side=screw.side,
        number=screw.number,
        entry_technique=screw.entry_technique,
        guidance=screw.guidance,
        surgeon=screw.surgeon_id,
        operator=screw.operator_id,
        indication=screw.indication,
        diameter_mm=screw.diameter_mm,
        revision=screw.is_revision,
        bone_quality=screw.bone_quality,
        body_mass_index=screw.body_mass_index,
        cobb_deg=screw.cobb_deg,
        curve_side=screw.curve_side,
        life=Life(screw.life),
        intention=None if screw.intention is None else Intention(screw.intention),
        imaged=screw.is_imaged,
        provisional=screw.is_provisional,
        extents_mm=screw.extents_mm,
    )


def _mask(truths: Iterable[bool]) -> Mask:
    return np.fromiter(truths, dtype=np.bool_)


def _first(read: SecondRead | None) -> Mapping[Direction, Decimal | None]:
    return {} if read is None else read.first_mm
