"""A question about groups from the words of a command line or a page's address."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

from reports.tables.asking import question_from
from reports.tables.compare import ComparisonQuestion

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def groups_in(text: str) -> tuple[str, ...]:
    """Return the groups in a list with commas; one that holds a comma stands in double quotes."""
    (cells,) = csv.reader([text], skipinitialspace=True)
    return tuple(cell.strip() for cell in cells if cell.strip())


def comparison_from(
    said: Mapping[str, str], groups: Sequence[str], *, is_all_pairs: bool, minimum: int
) -> ComparisonQuestion:
    """Return the question; BadInputError names every word that is not one.

    `said` as for rates, `groups` the values to compare, each with the last of them, `minimum` the
    unit's where none was said.
    """
    counting = question_from(said, minimum=minimum)
    return ComparisonQuestion(counting, tuple(groups), groups[-1] if groups else "", is_all_pairs)
