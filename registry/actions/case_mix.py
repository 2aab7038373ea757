"""Observed over expected: the one path to the digits of page and command."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from registry.actions.count_second import second_reading_words
from registry.actions.person_codes import labels_of
from registry.actions.whole_unit import whole_unit
from reports.tables.case_mix import case_mix_table

if TYPE_CHECKING:
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.case_mix import CaseMixTable
    from reports.tables.rates import Question


def adjusted_for_case_mix(
    ledger: Ledger, viewer: Viewer, question: Question, *, is_named: bool = False
) -> CaseMixTable:
    """Return the table, to who may see every surgeon and to nobody else.

    Persons are codes unless `is_named`.
    """
    unit = whole_unit(ledger, viewer, question.end)
    labels = labels_of(ledger, viewer, unit.names, question, is_named=is_named)
    words = second_reading_words(unit, question, may_see=True)
    return replace(case_mix_table(unit.screws, question, labels), second_reading=words)
