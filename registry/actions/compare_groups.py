"""Compare groups of screws: the one path to the digits of page and command."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from registry.actions.count_second import second_reading_words
from registry.actions.person_codes import labels_of
from registry.actions.whole_unit import whole_unit
from reports.tables.compare import comparisons

if TYPE_CHECKING:
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.compare import ComparisonQuestion, ComparisonTable


def compare_groups(
    ledger: Ledger, viewer: Viewer, asked: ComparisonQuestion, *, is_named: bool = False
) -> ComparisonTable:
    """Return the comparison, to who may see every surgeon and to nobody else.

    Persons are codes unless `is_named`; codes are those of every answer about the same screws.
    """
    unit = whole_unit(ledger, viewer, asked.counting.end)
    labels = labels_of(ledger, viewer, unit.names, asked.counting, is_named=is_named)
    words = second_reading_words(unit, asked.counting, may_see=True)
    return replace(comparisons(unit.screws, asked, labels), second_reading=words)
