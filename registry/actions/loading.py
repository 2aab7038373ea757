"""What loading any table has in common: the file, the count of what it did, the dry run."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

    from registry.store.writing import Writing


@dataclass(frozen=True)
class TableFile:
    """A table as it was handed in; `encoding` only where it was said."""

    data: bytes = field(repr=False)
    name: str
    encoding: str | None = None


@dataclass
class LoadOutcome:
    """What loading a table did, or would do.

    Attributes
    ----------
    rows : rows under the header
    new, unchanged : counts by the name of the record
    new_persons : names that were added
    warnings : rules of the trade that a case meets, one line each
    """

    rows: int
    new: dict[str, int] = field(default_factory=dict)
    unchanged: dict[str, int] = field(default_factory=dict)
    new_persons: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def count(self, record: str, *, is_new: bool) -> None:
        """Count one record as new or unchanged."""
        counts = self.new if is_new else self.unchanged
        counts[record] = counts.get(record, 0) + 1


class _OnlyCheckedError(Exception):
    """Leaves a transaction without keeping it."""


@contextmanager
def kept_unless(
    transaction: AbstractContextManager[Writing], *, only_check: bool
) -> Iterator[Writing]:
    """Give a transaction that is kept, or only tried where `only_check` says so."""
    try:
        with transaction as work:
            yield work
            if only_check:
                work.flush()
                raise _OnlyCheckedError  # noqa: TRY301 - it leaves the transaction, not the block
    except _OnlyCheckedError:
        pass
