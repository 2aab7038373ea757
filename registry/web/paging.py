"""Long lists, a hundred lines at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

from registry.domain.problems import NotFoundError

if TYPE_CHECKING:
    from collections.abc import Sequence

Item = TypeVar("Item")
PAGE_SIZE = 100


@dataclass(frozen=True)
class Page(Generic[Item]):
    """One page of a list.

    Attributes
    ----------
    items : of this page
    number : from 1
    pages : at least 1
    total : items of the whole list
    """

    items: Sequence[Item]
    number: int
    pages: int
    total: int

    @property
    def first(self) -> int:
        """Place of its first item in the whole list, from 1."""
        return (self.number - 1) * PAGE_SIZE + 1

    @property
    def last(self) -> int:
        """Place of its last item."""
        return self.first + len(self.items) - 1


def page_of(items: Sequence[Item], asked: str | None) -> Page[Item]:
    """Return the page that `?page=` asks for; NotFoundError beyond the last."""
    pages = max(1, -(-len(items) // PAGE_SIZE))
    number = int(asked) if asked and asked.isascii() and asked.isdigit() else None
    if asked is None:
        number = 1
    if number is None or not 1 <= number <= pages:
        raise NotFoundError(f"there is no page {asked} of this list; it has {pages}")
    start = (number - 1) * PAGE_SIZE
    return Page(items[start : start + PAGE_SIZE], number, pages, len(items))
