"""Codes that stand for persons before who may see names and has not asked for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.count_limited import code_of
from reports.tables.splits import PERSONS, Split

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.rates import Question


def labels_of(
    ledger: Ledger,
    viewer: Viewer,
    names: Mapping[int, str],
    question: Question,
    *,
    is_named: bool,
) -> Mapping[int, str]:
    """Return each person's name, or where not asked for the code that the account knows them by.

    One code a person in all answers about the same screws, so that the pages of surgeons, of a
    comparison and of case mix can be laid beside one another.
    """
    persons = PERSONS & set(question.by)
    if is_named or not persons:
        return names
    noun = "surgeon" if persons == {Split.SURGEON} else "operator"
    return surgeon_codes(ledger, viewer, question, names, noun)


def surgeon_codes(
    ledger: Ledger,
    viewer: Viewer,
    question: Question,
    persons: Iterable[int],
    noun: str = "surgeon",
) -> dict[int, str]:
    """Return the code of each person in what one account asks about the same screws."""
    key = b"|".join([ledger.keys.references, b"surgeons", str(viewer.account_id).encode()])
    about = (question.start, question.end, question.threshold, question.direction)
    return {person: code_of(key, about, person, noun) for person in persons}
