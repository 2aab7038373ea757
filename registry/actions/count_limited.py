"""Rates for who may not see every surgeon: own screws, fixed parts of the unit, peers as codes.

The rule and its reasons stand in `registry.domain.disclosure`.
"""

from __future__ import annotations

import hashlib
import hmac
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.count_parts import Part, shown_parts, visible_screws
from registry.domain.disclosure import (
    OTHERS_NEEDED,
    POINT_SCREWS,
    fixed_periods,
    is_fixed,
    peers_points,
    year_settled_until,
)
from reports.frame import Intended
from reports.tables.rates import NO_SHARE, PeerPoint, RateTable, rates
from reports.tables.splits import PERSONS, IntervalName, Split

if TYPE_CHECKING:
    from datetime import date

    import numpy.typing as npt
    import pandas as pd

    from reports.tables.rates import Question, RateRow

    Mask = npt.NDArray[np.bool_]

_PERIODS_NAMED = 6


@dataclass(frozen=True)
class Asker:
    """Who asks.

    Attributes
    ----------
    person : whose own screws are theirs, or None
    name : of that person
    sees_peers : a surgeon, to whom others are codes
    known : one entry a screw of the unit, whether its results were seen
    settled : the last day of the last settled quarter; None without one
    key : for codes
    """

    person: int | None
    name: str
    sees_peers: bool
    known: Mask
    settled: date | None
    key: bytes


def persons_of(question: Question, own: Split | None) -> frozenset[Split]:
    """Return as whom an asker's own screws alone are asked for; empty where the unit's are."""
    return PERSONS & {*question.by, own}


def settled_question(
    question: Question, first: date | None, settled: date | None, own: Split | None = None
) -> Question:
    """Return the question with its last day, where none was given and something is settled.

    `first` is the day of the ledger's first operation, `settled` the last settled one.
    """
    if question.end or settled is None or first is None:
        return question
    is_of_unit = not persons_of(question, own)
    is_split = is_of_unit and question.by not in {(), (Split.QUARTER,)}
    end = year_settled_until(settled) if is_split else settled
    if max(question.start or first, first) > end:
        return question
    return replace(question, end=end)


def limited_rates(
    unit: pd.DataFrame, asker: Asker, question: Question, own: Split | None = None
) -> RateTable:
    """Return what the asker may see of the answer; `unit` ends with the question's last day.

    `own` leaves the asker's own screws, as responsible surgeon or as operator.
    """
    persons = persons_of(question, own)
    if persons:
        return _own(unit, asker, question, own_screws(unit, asker, persons))
    why = _withheld(unit, asker, question)
    if why:
        return RateTable(question, None, (), is_partial=True, withheld=(why,))
    parts = _parts(unit, asker, question)
    visible = visible_screws(unit, question, parts)
    table = rates(unit, question, visible=visible)
    rows = table.rows
    if table.is_partial and not question.by:
        rows = ()
    said = (_HIDDEN_PARTS,) if table.is_partial else ()
    rows = tuple(_coarse(row, question) for row in rows)
    return replace(table, unit=None, rows=rows, withheld=said)


def own_screws(unit: pd.DataFrame, asker: Asker, persons: frozenset[Split]) -> Mask:
    """Return which screws the asker put in as each of these."""
    own = np.ones(len(unit), dtype=np.bool_)
    for split in persons:
        own &= (unit[split.value] == asker.person).fillna(value=False).to_numpy(dtype=np.bool_)
    return own


def _own(unit: pd.DataFrame, asker: Asker, question: Question, own: Mask) -> RateTable:
    """Return the own rows, and to a surgeon who asks for surgeons alone the peers' points."""
    names = {} if asker.person is None else {asker.person: asker.name}
    table = rates(unit, question, visible=own, labels=names)
    rows, said = table.rows, []
    if question.interval is IntervalName.CLUSTERED and rows:
        if has_pooled(unit, asker, question):
            rows = tuple(_without_clustering(row) for row in rows)
        else:
            said.append(_NO_INTERVAL)
            rows = tuple(replace(_without_clustering(row), low=None, high=None) for row in rows)
    peers: tuple[PeerPoint, ...] = ()
    if asker.sees_peers and question.by == (Split.SURGEON,):
        peers = _peers(unit, asker, question)
        said.append(_PEERS if peers else _no_peers(unit, asker, question))
    elif asker.sees_peers and PERSONS & set(question.by):
        said.append("Split further, surgeons and operators see their own screws alone.")
    return replace(table, unit=None, rows=rows, peers=peers, withheld=tuple(said))


def _withheld(unit: pd.DataFrame, asker: Asker, question: Question) -> str:
    """Return why the whole unit is not counted for such a question, or nothing."""
    if len(question.by) > 1:
        return (
            "Two splits crossed are not shown of the whole unit: few stand in each part. Ask by one"
            " of them, or cross it with operator or surgeon for your own screws."
        )
    if question.intended is Intended.EXCLUDE:
        return (
            "Intended exits are not left out of the whole unit's counts: the difference would tell"
            " the few screws with an intention. Count them, or ask by operator or surgeon for your"
            " own screws."
        )
    if not _is_fixed(asker, question):
        return f"The whole unit is counted over fixed periods only{_choices(unit, asker, question)}"
    return ""


def _is_fixed(asker: Asker, question: Question) -> bool:
    if question.end is None or asker.settled is None:
        return False
    is_split = bool(set(question.by) - PERSONS - {Split.QUARTER})
    return is_fixed(question.start, question.end, asker.settled, is_split=is_split)


def _choices(unit: pd.DataFrame, asker: Asker, question: Question) -> str:
    """Return the last periods that may be asked about, as the end of a sentence."""
    first = None if unit.empty else unit["operated_on"].min().date()
    if asker.settled is None or first is None or first > asker.settled:
        return ", and no quarter is settled yet (over, and its last audit scans due)."
    is_split = bool(set(question.by) - PERSONS - {Split.QUARTER})
    named = [
        period.words
        for period in fixed_periods(first, asker.settled)
        if is_fixed(period.start, period.end, asker.settled, is_split=is_split)
    ]
    if not named:
        return ", by this split whole calendar years, and none is settled yet."
    return f"; choose {', '.join(named[:_PERIODS_NAMED])}."


def _parts(unit: pd.DataFrame, asker: Asker, question: Question) -> frozenset[Part]:
    """Return the parts that may be shown; none before something is settled."""
    if asker.settled is None:
        return frozenset()
    graded = question.event.graded(unit).to_numpy(dtype=np.bool_)
    return shown_parts(unit, graded, asker.known, asker.settled)


def has_pooled(unit: pd.DataFrame, asker: Asker, question: Question) -> bool:
    """Return whether an interval may know the clustering of the unit up to the period's end."""
    whole = replace(question, by=(), start=None)
    if not _is_fixed(asker, whole):
        return False
    return bool(visible_screws(unit, whole, _parts(unit, asker, whole)).all())


def _coarse(row: RateRow, question: Question) -> RateRow:
    """Return a row without what tells how its breaches lie within patients."""
    row = replace(row, patients_with_event=None, patient_mean=None, patient_share=NO_SHARE)
    return _without_clustering(row) if question.interval is IntervalName.CLUSTERED else row


def _without_clustering(row: RateRow) -> RateRow:
    """Return a row with its limits widened to whole per cent, and nothing that made them."""
    return replace(
        row,
        low=None if row.low is None else math.floor(100 * row.low) / 100,
        high=None if row.high is None else math.ceil(100 * row.high) / 100,
        design_effect=None,
        effective=None,
        df=None,
        rho=None,
    )


def _peers(unit: pd.DataFrame, asker: Asker, question: Question) -> tuple[PeerPoint, ...]:
    """Return the other surgeons' points, in the order of their codes."""
    if not _is_fixed(asker, question) or question.intended is Intended.EXCLUDE:
        return ()
    event = question.event
    counted = event.graded(unit) & unit["pedicle"] & (unit["surgeon"] != asker.person)
    if question.start:
        counted &= unit["operated_on"].dt.date >= question.start
    who, place, graded = np.unique(
        unit["surgeon"][counted].to_numpy(), return_inverse=True, return_counts=True
    )
    breached = np.bincount(place, weights=event.breached(unit)[counted], minlength=len(who))
    points = peers_points(
        {
            int(who[each]): float(breached[each] / graded[each])
            for each in np.flatnonzero(graded >= POINT_SCREWS)
        }
    )
    # The same question again has the same codes, also under another minimum or interval; another
    # period, event or set of peers has others, so that nobody is followed from answer to answer.
    asked = (question.start, question.end, question.threshold, question.direction, sorted(points))
    coded = {code_of(asker.key, asked, who): rate for who, rate in points.items()}
    return tuple(PeerPoint(code, coded[code]) for code in sorted(coded))


def code_of(key: bytes, asked: tuple[object, ...], person: int, noun: str = "peer") -> str:
    """Return a code that stands for a person in the answer to one question alone."""
    text = "|".join(map(str, [*asked, person]))
    return f"{noun} {hmac.new(key, text.encode(), hashlib.sha256).hexdigest()[:6].upper()}"


def _no_peers(unit: pd.DataFrame, asker: Asker, question: Question) -> str:
    """Return why no peer is shown."""
    if question.intended is Intended.EXCLUDE:
        return "Peers are shown only with intended exits counted."
    if not _is_fixed(asker, question):
        return f"Peers are shown over fixed periods only{_choices(unit, asker, question)}"
    return (
        f"Peers are shown only among at least {OTHERS_NEEDED} other surgeons with {POINT_SCREWS} "
        "graded screws each."
    )


_HIDDEN_PARTS = (
    "Not shown: parts in which too few other surgeons or operators have screws, or one has nearly"
    " all, and parts that would give one of them by subtraction."
)
_NO_INTERVAL = (
    "The interval with patients as clusters would tell others' screws of the last weeks or of a"
    " small unit; choose a plain interval, or a last day that ends a settled quarter."
)
_PEERS = (
    f"Peers: the other surgeons with at least {POINT_SCREWS} graded screws, each at the mean rate"
    " of neighbours, to the nearest 5%. Codes are drawn anew for each question, and their order"
    " tells nothing."
)
