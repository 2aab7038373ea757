"""Rates: the one path from the ledger's rows to the digits of page, command and export."""

from __future__ import annotations

import hashlib
import hmac
from datetime import date
from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Viewer, reach, require
from registry.domain.problems import NotAllowedError
from registry.domain.techniques import Intention, Life
from registry.store.queries.counted_screws import counted_screws
from registry.store.queries.people import all_person_names
from reports.frame import ScrewRow, frame
from reports.tables.rates import Question, RateTable, rates
from reports.tables.splits import Split

if TYPE_CHECKING:
    import pandas as pd

    from registry.store.home import Ledger
    from registry.store.queries.counted_screws import CountedScrew

OTHERS_NEEDED = 5
"""Peers are shown only among at least this many other surgeons."""

_PERSON_SPLITS = frozenset({Split.SURGEON, Split.OPERATOR})
_NOBODY = -1
_COLUMN_OF = {Split.DIAMETER: "diameter_mm"}


def count_rates(ledger: Ledger, viewer: Viewer, question: Question) -> RateTable:
    """Return the rates that a viewer asked for, as far as they may see them."""
    require(viewer, Deed.SEE_RATES)
    with ledger.reading() as session:
        screws = counted_screws(session, ledger.settings.audit_window_days, question.end)
        names = all_person_names(session)
    unit = frame(_row(screw) for screw in screws)
    visible, labels = _shown(ledger, viewer, question, unit, names)
    return rates(unit, question, visible=visible, labels=labels)


def _row(screw: CountedScrew) -> ScrewRow:
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
        life=Life(screw.life),
        intention=None if screw.intention is None else Intention(screw.intention),
        imaged=screw.is_imaged,
        provisional=screw.is_provisional,
        extents_mm=screw.extents_mm,
    )


def _shown(
    ledger: Ledger, viewer: Viewer, question: Question, unit: pd.DataFrame, names: dict[int, str]
) -> tuple[list[bool] | None, dict[int, str]]:
    """Return which screws' strata the viewer may see, and the names or codes of the persons."""
    person_splits = _PERSON_SPLITS & set(question.by)
    far = reach(viewer, Deed.SEE_SURGEONS)
    if far is Reach.ALL:
        return None, names
    own = viewer.person_id
    if not person_splits:
        return _without_lone_peer(question, unit, own), {}
    if far is Reach.NONE or own is None:
        raise NotAllowedError(f"{viewer.name} may not see rates by person")
    # A registrar may also be an operator, but sees no surgeons.
    if _sees_only_own_operated(viewer) and Split.SURGEON in person_splits:
        raise NotAllowedError(f"{viewer.name} may not see rates by surgeon; ask by operator")
    codes = _codes(ledger, viewer, names)
    labels = codes | {own: names.get(own, "own")}
    is_own = _own_rows(unit, person_splits, own)
    peers_allowed = (
        not _sees_only_own_operated(viewer)
        and question.by == (Split.SURGEON,)
        and _others(unit, question, own) >= OTHERS_NEEDED
    )
    return (None if peers_allowed else is_own), labels


def _sees_only_own_operated(viewer: Viewer) -> bool:
    return not any(role == "surgeon" for role in viewer.roles)


def _own_rows(unit: pd.DataFrame, splits: frozenset[Split], own: int) -> list[bool]:
    kept = [True] * len(unit)
    for split in splits:
        is_theirs = (unit[split.value] == own).fillna(value=False)
        kept = [keep and bool(theirs) for keep, theirs in zip(kept, is_theirs, strict=True)]
    return kept


def _asked(unit: pd.DataFrame, question: Question) -> pd.Series[bool]:
    """Return which screws the answer counts; none in `unit` is after the period's end."""
    asked: pd.Series[bool] = unit["operated_on"].dt.date >= (question.start or date.min)
    return asked if Split.LEVEL in question.by else asked & unit["pedicle"]


def _others(unit: pd.DataFrame, question: Question, own: int) -> int:
    """Return how many other surgeons the answer would show; of one day's list one knows them."""
    shown = _asked(unit, question) & question.event.graded(unit) & (unit["surgeon"] != own)
    return int(unit.loc[shown, "surgeon"].nunique())


def _without_lone_peer(
    question: Question, unit: pd.DataFrame, own: int | None
) -> list[bool] | None:
    """Return which screws stand in strata that do not give away one other person.

    A surgeon knows their own counts, so a stratum in which only one other has screws would tell
    that one's by subtraction.
    """
    if unit.empty:
        return None
    keys = [unit[_COLUMN_OF.get(split, split.value)].astype(object) for split in question.by]
    asked = _asked(unit, question)
    hidden = [False] * len(unit)
    for counted in (asked, asked & question.event.graded(unit)):
        for person in (unit["surgeon"], unit["operator"].fillna(unit["surgeon"])):
            others = person.astype(float).where(counted & (person != (own or _NOBODY)))
            if not keys:
                is_lone = len(set(others.dropna())) == 1
                hidden = [hides or is_lone for hides in hidden]
                continue
            found = others.groupby(keys, dropna=False).transform("nunique")
            hidden = [hides or lone == 1 for hides, lone in zip(hidden, found, strict=True)]
    return [not hides for hides in hidden]


def _codes(ledger: Ledger, viewer: Viewer, names: dict[int, str]) -> dict[int, str]:
    """Return a code a person, another for each viewer, that tells nothing about who it is."""
    key = ledger.keys.references
    return {
        person: "peer "
        + hmac.new(key, f"peer|{viewer.account_id}|{person}".encode(), hashlib.sha256)
        .hexdigest()[:4]
        .upper()
        for person in names
    }
