"""Rows as they are stored and as the trail writes them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from sqlalchemy import Table, text

from registry.domain.trail import Canonical, canonical_row, keyed_digest
from registry.store.columns import Secret, stored_writer, value_writer

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from sqlalchemy.orm import Session

    from registry.store.models.base import Tracked


def table_of(model: type[Tracked]) -> Table:
    """Return a model's table."""
    table = model.__table__
    assert isinstance(table, Table)  # noqa: S101 - a declarative model's always is
    return table


@dataclass(frozen=True)
class _Written:
    """How one column is written down."""

    name: str
    stored: Callable[[Any], Canonical]
    value: Callable[[Any], Canonical]
    is_secret: bool


@cache
def _columns(model: type[Tracked]) -> tuple[_Written, ...]:
    return tuple(
        _Written(
            column.key,
            stored_writer(column.type),
            value_writer(column.type),
            isinstance(column.type, Secret),
        )
        for column in table_of(model).columns
    )


def column_names(model: type[Tracked]) -> tuple[str, ...]:
    """Return the names of a table's columns in their order."""
    return tuple(column.name for column in _columns(model))


def record_name(model: type[Tracked], row_id: int) -> str:
    """Return the name under which the trail knows a row."""
    return f"{model.__tablename__}:{row_id}"


def written_values(model: type[Tracked], row: Mapping[str, Any], key: bytes) -> str:
    """Return a row that is about to be stored as the trail writes it."""
    return canonical_row(
        {
            column.name: _written(row[column.name], column.value, key if column.is_secret else None)
            for column in _columns(model)
        }
    )


def written_stored(model: type[Tracked], raw: Mapping[str, Any], key: bytes) -> str:
    """Return a raw stored row as the trail writes it."""
    return canonical_row(
        {
            column.name: _written(
                raw[column.name], column.stored, key if column.is_secret else None
            )
            for column in _columns(model)
        }
    )


def _written(value: object, write: Callable[[Any], Canonical], key: bytes | None) -> Canonical:
    if value is None:
        return None
    written = write(value)
    return written if key is None else keyed_digest(key, str(written))


def raw_rows(
    session: Session, model: type[Tracked], row_id: int | None = None
) -> list[dict[str, Any]]:
    """Return rows exactly as they are stored, past every column type.

    Values come as the driver gives them, so that what a type would smooth over is seen.
    """
    names = column_names(model)
    listed = ", ".join(f'"{name}"' for name in names)
    where = " WHERE id = :id" if row_id is not None else ""
    found = session.execute(
        text(f'SELECT {listed} FROM "{model.__tablename__}"{where} ORDER BY id'),  # noqa: S608 - own names only
        {} if row_id is None else {"id": row_id},
    )
    return [dict(zip(names, row, strict=True)) for row in found]
