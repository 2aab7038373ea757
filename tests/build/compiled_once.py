"""Statements that were compiled for one ledger serve every other of this process.

SQLAlchemy keeps what a statement compiles to with the engine, and nearly every test opens a ledger
of its own: compiling the same few hundred statements anew was a tenth to a third of its work.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any
from unittest import mock

from sqlalchemy import Engine
from sqlalchemy.util import LRUCache

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.engine import Dialect

    Key = tuple[Dialect, Any]

_MOST = 5_000


class _Kept:
    """What statements were compiled to, by database and driver in the place of an engine's own."""

    def __init__(self) -> None:
        self._kept: LRUCache[Any, Any] = LRUCache(_MOST)

    def get(self, key: Key) -> object:
        return self._kept.get(_shared(key))

    def __setitem__(self, key: Key, compiled: object) -> None:
        self._kept[_shared(key)] = compiled


def _shared(key: Key) -> tuple[object, ...]:
    dialect, *rest = key
    return dialect.name, dialect.driver, *rest


@contextmanager
def compiled_once() -> Iterator[None]:
    """Have every engine that is made meanwhile keep its statements in one place."""
    kept = _Kept()

    def keep_own(engine: Engine, own: object) -> None:
        # For whoever still has the engine when this is over.
        vars(engine)["_compiled_cache"] = own

    everybodys = property(lambda _: kept, keep_own)
    with mock.patch.object(Engine, "_compiled_cache", everybodys, create=True):
        yield
