"""Rates: the one path from the ledger's rows to the digits of page, command and export."""

from __future__ import annotations

import hashlib
import hmac
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
        and _others(unit, own) >= OTHERS_NEEDED
    )
    return (None if peers_allowed else is_own), labels


def _sees_only_own_operated(viewer: Viewer) -> bool:
    return not any(role == "surgeon" for role in viewer.roles)


def _own_rows(unit: pd.DataFrame, splits: frozenset[Split], own: int) -> list[bool]:
    kept = [True] * len(unit)
    for split in splits:
        column = unit[split.value]
        kept = [keep and value == own for keep, value in zip(kept, column, strict=True)]
    return kept


def _others(unit: pd.DataFrame, own: int) -> int:
    return int(unit.loc[unit["surgeon"] != own, "surgeon"].nunique())


def _without_lone_peer(
    question: Question, unit: pd.DataFrame, own: int | None
) -> list[bool] | None:
    """Return which screws stand in strata that do not give away one other surgeon.

    A surgeon knows their own counts, so a stratum in which only one other has screws would tell
    that one's by subtraction.
    """
    if own is None or unit.empty:
        return None
    keys = [unit[split.value].astype(object) for split in question.by]
    asked = unit["surgeon"] != own
    if question.start is not None:
        asked &= unit["operated_on"].dt.date >= question.start
    hidden = [False] * len(unit)
    for counted in (asked, asked & unit["graded"]):
        others = unit["surgeon"].where(counted)
        if keys:
            per_stratum = others.groupby(keys, dropna=False).transform("nunique")
            hidden = [hides or lone == 1 for hides, lone in zip(hidden, per_stratum, strict=True)]
        elif len(others.dropna().unique()) == 1:
            return [False] * len(unit)
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
