"""The declarative base: one naming convention, so a constraint has one name everywhere."""

from __future__ import annotations

from typing import ClassVar

from sqlalchemy import MetaData
from sqlalchemy.orm import DeclarativeBase

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Every table of the ledger."""

    metadata = MetaData(naming_convention=NAMING)


class Tracked(Base):
    """A table whose every change is an event; the rows have an integer `id`."""

    __abstract__ = True
    tracked: ClassVar[bool] = True


def one_of(column: str, words: type) -> str:
    """Return the SQL of a check that a column holds one of an enum's words, or nothing."""
    listed = ", ".join(f"'{member.value}'" for member in words)  # type: ignore[attr-defined]
    return f"{column} IN ({listed})"
