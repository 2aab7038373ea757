"""Compare groups of screws: the one path to the digits of page and command."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import replace
from typing import TYPE_CHECKING

from registry.actions.count_second import second_reading_words
from registry.actions.whole_unit import whole_unit
from registry.store.queries.second_reads import second_reads
from reports.tables.compare import comparisons
from reports.tables.splits import PERSONS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.compare import ComparisonQuestion, ComparisonTable
    from reports.tables.splits import Split


def compare_groups(
    ledger: Ledger, viewer: Viewer, asked: ComparisonQuestion, *, is_named: bool = False
) -> ComparisonTable:
    """Return the comparison, to who may see every surgeon and to nobody else.

    Persons are codes unless `is_named`; a person keeps their code for the account that asks.
    """
    unit = whole_unit(ledger, viewer, asked.counting.end)
    with ledger.reading() as session:
        reads = second_reads(session, ledger.settings)
    labels = labels_of(ledger, viewer, unit.names, asked.counting.by, is_named=is_named)
    words = second_reading_words(unit.rows, reads, asked.counting, may_see=True, unit=unit.screws)
    return replace(comparisons(unit.screws, asked, labels), second_reading=words)


def labels_of(
    ledger: Ledger,
    viewer: Viewer,
    names: Mapping[int, str],
    by: Sequence[Split],
    *,
    is_named: bool,
) -> Mapping[int, str]:
    """Return each person's name, or where not asked for the code that the account knows them by."""
    if is_named or not PERSONS & set(by):
        return names
    key = b"|".join([ledger.keys.references, b"groups", str(viewer.account_id).encode()])
    return {
        person: "person " + hmac.new(key, str(person).encode(), hashlib.sha256).hexdigest()[:6]
        for person in names
    }
