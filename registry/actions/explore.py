"""Rates by two splits crossed, and from each cell to its screws, as a viewer may see them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from registry.actions.count import count_limited, count_whole, limited_view
from registry.actions.count_limited import own_screws, persons_of
from registry.actions.whole_unit import whole_unit
from registry.domain.access import Deed, Reach, Role, reach, require
from registry.domain.levels import LEVELS
from registry.domain.problems import BadInputError, Fault, NotFoundError
from registry.store.queries.listed_cases import case_references
from reports.tables.crossed import Crossed, crossed, sums_asked
from reports.tables.rates import asked_screws
from reports.tables.splits import Split, is_of

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence
    from datetime import date

    import numpy.typing as npt

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.rates import Question, RateRow

    Mask = npt.NDArray[np.bool_]

_LEVEL_ORDER = {item.code: item.order for item in LEVELS}


class State(StrEnum):
    """What a listed screw is in the rate of its cell."""

    BREACHED = "breached"
    UNBREACHED = "not breached"
    UNGRADED = "not graded"


@dataclass(frozen=True)
class Asked:
    """What is crossed, and of whose screws.

    Attributes
    ----------
    question : by two splits
    own : as whom own screws alone are asked for; None for those of all
    """

    question: Question
    own: Split | None


@dataclass(frozen=True)
class ListedScrew:
    """One screw of a cell.

    Attributes
    ----------
    screw_id, case_id : int
    level, side, number : its key within the case
    entry_technique, guidance : as recorded
    diameter_mm : None where not stated
    operated_on : day
    surgeon, operator : names, for who sees every surgeon, else ''; operator '' where not stated
    case_reference : None where the viewer may not look at the case
    state : in the rate
    is_provisional : a second reading or an adjudication is owed
    extent_mm : what the state comes from, for who may look at the case; None where not measured
    """

    screw_id: int
    case_id: int
    level: str
    side: str
    number: int
    entry_technique: str
    guidance: str
    diameter_mm: float | None
    operated_on: date
    surgeon: str
    operator: str
    case_reference: str | None
    state: State
    is_provisional: bool
    extent_mm: float | None


@dataclass(frozen=True)
class CellScrews:
    """The screws that stand in a cell, or in a sum of them.

    Attributes
    ----------
    row : their counts, and their rate where it has one
    counts : screws by state
    screws : of the frame, in the order of the list, those of one state where it was asked for
    states : of each of these
    names : of persons, by id; empty for who does not see every surgeon
    """

    row: RateRow
    counts: Mapping[State, int]
    screws: pd.DataFrame
    states: Sequence[State]
    names: Mapping[int, str]


def own_as(viewer: Viewer) -> tuple[Split, ...]:
    """Return as whom a viewer may ask for own screws; empty for who sees everybody's."""
    if require(viewer, Deed.SEE_SURGEONS) is Reach.ALL:
        return ()
    is_surgeon = Role.SURGEON in viewer.roles
    return (Split.SURGEON, Split.OPERATOR) if is_surgeon else (Split.OPERATOR,)


def explore(ledger: Ledger, viewer: Viewer, asked: Asked, today: date | None) -> Crossed:
    """Return the rates of two splits crossed with their sums: everybody's, or own screws alone."""
    question = asked.question
    require(viewer, Deed.SEE_SURGEONS)
    if reach(viewer, Deed.SEE_SURGEONS) is Reach.ALL:
        _refuse_own(asked)
        table, *sums = count_whole(ledger, viewer, [question, *sums_asked(question)])
    else:
        _need_own(asked)
        view = limited_view(ledger, viewer, question, today, asked.own)
        table, *sums = [
            count_limited(replace(view, question=each))
            for each in (view.question, *sums_asked(view.question))
        ]
    return crossed(table, (sums[0], sums[1], sums[2]))


def cell_screws(
    ledger: Ledger,
    viewer: Viewer,
    asked: Asked,
    cell: Mapping[Split, str],
    today: date | None,
    only: State | None = None,
) -> CellScrews:
    """Return the screws of a cell; a split that `cell` does not name stands for all its values.

    NotFoundError where there are none that the viewer may see.
    """
    require(viewer, Deed.SEE_SURGEONS)
    by = tuple(split for split in asked.question.by if split in cell)
    question = replace(asked.question, by=by)
    names: Mapping[int, str] = {}
    if reach(viewer, Deed.SEE_SURGEONS) is Reach.ALL:
        _refuse_own(asked)
        unit = whole_unit(ledger, viewer, question.end)
        screws, names = unit.screws, unit.names
        table = count_whole(ledger, viewer, [question])[0]
        shown = np.ones(len(screws), dtype=np.bool_)
    else:
        _need_own(asked)
        view = limited_view(ledger, viewer, question, today, asked.own)
        question, screws = view.question, view.unit
        table = count_limited(view)
        shown = own_screws(screws, view.asker, persons_of(question, asked.own))
    keys = tuple(cell[split] for split in by)
    row = next((each for each in table.rows if each.keys == keys and each.placed), None)
    if row is None:
        raise NotFoundError("no placed screw stands there, or none that this account may see")
    inside = asked_screws(screws, question) & shown
    for split, key in cell.items():
        inside &= is_of(screws, split, key)
    return _listed(screws[inside], question, row, names, only)


def shown_screws(
    ledger: Ledger, viewer: Viewer, question: Question, cell: CellScrews, places: range
) -> list[ListedScrew]:
    """Return some of a cell's screws, with what the viewer may see of each."""
    screws = cell.screws.iloc[places.start : places.stop]
    states = cell.states[places.start : places.stop]
    with ledger.reading() as session:
        references = case_references(session, viewer, set(screws["case_id"].tolist()))
    extents = question.event.extent_mm(screws).tolist()
    return [
        _screw(row, state, extent, references, cell.names)
        for row, state, extent in zip(screws.to_dict("records"), states, extents, strict=True)
    ]


def _listed(
    screws: pd.DataFrame,
    question: Question,
    row: RateRow,
    names: Mapping[int, str],
    only: State | None,
) -> CellScrews:
    """Return the list: breached ones first, the latest operation first, then as they lie."""
    graded = question.event.graded(screws).to_numpy(dtype=np.bool_)
    breached = question.event.breached(screws).to_numpy(dtype=np.bool_)
    place = np.where(breached, 0, np.where(graded, 1, 2))
    order = np.lexsort(
        (
            screws["number"].to_numpy(),
            (screws["side"] == "R").to_numpy(),
            screws["level"].map(_LEVEL_ORDER).to_numpy(),
            screws["case_id"].to_numpy(),
            -screws["operated_on"].astype("int64").to_numpy(),
            place,
        )
    )
    every = list(State)
    counts = {state: int((place == at).sum()) for at, state in enumerate(every)}
    if only is not None:
        order = order[place[order] == every.index(only)]
    return CellScrews(
        row=row,
        counts=counts,
        screws=screws.iloc[order],
        states=[every[at] for at in place[order].tolist()],
        names=names,
    )


def _screw(
    row: Mapping[Hashable, Any],
    state: State,
    extent: float,
    references: Mapping[int, str],
    names: Mapping[int, str],
) -> ListedScrew:
    reference = references.get(row["case_id"])
    is_measured = reference is not None and state is not State.UNGRADED
    operator, diameter = row["operator"], row["diameter_mm"]
    return ListedScrew(
        screw_id=row["screw_id"],
        case_id=row["case_id"],
        level=row["level"],
        side=row["side"],
        number=row["number"],
        entry_technique=row["entry_technique"],
        guidance=row["guidance"],
        diameter_mm=None if np.isnan(diameter) else diameter,
        operated_on=row["operated_on"].date(),
        surgeon=names.get(row["surgeon"], ""),
        operator="" if pd.isna(operator) else names.get(operator, ""),
        case_reference=reference,
        state=state,
        is_provisional=row["provisional"] and state is not State.UNGRADED,
        extent_mm=extent if is_measured else None,
    )


def _refuse_own(asked: Asked) -> None:
    if asked.own is not None:
        mend = "leave it out, and ask by surgeon or operator"
        raise BadInputError(Fault("this account sees every surgeon's screws", "own", mend))


def _need_own(asked: Asked) -> None:
    """Two splits crossed are never counted of others (`domain.disclosure`, point 2)."""
    if asked.own is None:
        raise BadInputError(Fault("own screws alone are crossed", "own", "say surgeon or operator"))
