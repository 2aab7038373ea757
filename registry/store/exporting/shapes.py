"""The shape of a table that leaves the ledger: its fields in their order, keys and words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


class Kind(StrEnum):
    """What a field holds, in the types of the Table Schema specification."""

    TEXT = "string"
    WHOLE = "integer"
    NUMBER = "number"
    DAY = "date"
    INSTANT = "datetime"
    TRUTH = "boolean"


@dataclass(frozen=True)
class Field:
    """One field of a table.

    Attributes
    ----------
    name, kind, description : as in the dictionary
    unit : UCUM code of a number, or ''
    words : the closed set that a text is one of
    is_required : it is never empty
    least, most : bounds of a number
    refers_to : table and field whose value it is; the table '' is its own
    empty_as : what stands in a cell without a value, in CSV and XLSX
    """

    name: str
    kind: Kind
    description: str
    unit: str = ""
    words: tuple[str, ...] = ()
    is_required: bool = False
    least: int | None = None
    most: int | None = None
    refers_to: tuple[str, str] | None = None
    empty_as: str = ""


@dataclass(frozen=True)
class Shape:
    """One table: its fields in the order of the columns, and those that are its key, if any."""

    name: str
    description: str
    fields: tuple[Field, ...]
    key: tuple[str, ...]


@dataclass(frozen=True)
class Filled:
    """A table with its rows; a cell is text, a number, a day, an aware instant, a truth or None."""

    shape: Shape
    rows: Sequence[tuple[object, ...]]
