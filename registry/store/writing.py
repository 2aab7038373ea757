"""One transaction's changes: rows and their events, written together."""

from __future__ import annotations

import secrets
from collections import defaultdict
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, func, insert, select, update

from registry.domain.problems import ConflictError, FailureError, Fault
from registry.domain.trail import Event, event_digest, head_seal
from registry.store.columns import instant_text
from registry.store.models.trail import EventRow, TrailHead
from registry.store.models.unit import UnitSettings
from registry.store.rows import (
    column_names,
    raw_rows,
    record_name,
    table_of,
    written_stored,
    written_values,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from sqlalchemy.orm import Session

    from registry.store.models.base import Tracked

_BATCH = 2000
_DRAWN_BELOW = 2**31 - 1


class Writing:
    """One transaction's changes; each becomes a row and an event.

    `session` may be used to read. Rows are sent when `flush` or `flush_rows` is called, and before
    a row is changed, taken out or numbered by chance: until then no query sees what was handed to
    `insert`.
    """

    def __init__(
        self, session: Session, *, key: bytes, actor: str, now: datetime, settings: str | None
    ) -> None:
        self.session = session
        self.now = now
        self._key = key
        self._actor = actor
        self._settings = settings
        self._next_id: dict[type[Tracked], int] = {}
        self._rows: dict[type[Tracked], list[dict[str, Any]]] = defaultdict(list)
        self._events: list[tuple[str, str, str, str, str]] = []
        # The lock: on PostgreSQL the head's row, on SQLite the file since BEGIN IMMEDIATE.
        head = session.execute(select(TrailHead).with_for_update()).scalar_one_or_none()
        if head is None:
            raise FailureError("the trail's head is missing; run `pedicle-ledger verify`")
        if head.seal != head_seal(key, head.length, head.head):
            raise FailureError(
                "the trail's head does not carry this ledger's seal; nothing is written until "
                "`pedicle-ledger verify` has been looked at"
            )
        self._length, self._last = head.length, head.head

    def insert(
        self, model: type[Tracked], verb: str, /, *, because: str = "", **values: object
    ) -> int:
        """Add a row; return its id."""
        return self._insert(model, verb, self._take_id(model), values, because)

    def insert_by_chance(self, model: type[Tracked], verb: str, /, **values: object) -> int:
        """Add a row; return its id, which is drawn by chance and tells no order."""
        return self._insert(model, verb, self._draw_id(model), values, "")

    def _insert(
        self,
        model: type[Tracked],
        verb: str,
        row_id: int,
        values: Mapping[str, object],
        because: str,
    ) -> int:
        row: dict[str, Any] = dict.fromkeys(column_names(model)) | dict(values) | {"id": row_id}
        if "version" in row:
            row["version"] = 1
        self._rows[model].append(row)
        after = written_values(model, row, self._key)
        self._note(verb, record_name(model, row_id), "", after, because)
        return row_id

    def update(
        self,
        model: type[Tracked],
        verb: str,
        row_id: int,
        /,
        *,
        because: str = "",
        **changes: object,
    ) -> None:
        """Change a row; its version, where it carries one, goes up."""
        self.flush_rows()
        table = table_of(model)
        before = self._stored(model, row_id)
        if "version" in table.c:
            changes["version"] = table.c.version + 1
        found = self.session.execute(update(model).where(table.c.id == row_id).values(**changes))
        if found.rowcount != 1:  # type: ignore[attr-defined]
            raise ConflictError(Fault(f"{record_name(model, row_id)} is not there any more"))
        after = self._stored(model, row_id)
        self._note(verb, record_name(model, row_id), before, after, because)

    def remove(self, model: type[Tracked], verb: str, row_id: int, /, *, because: str = "") -> None:
        """Take a row out that says that something is so, where it is not; the event keeps it."""
        self.flush_rows()
        before = self._stored(model, row_id)
        self.session.execute(delete(model).where(table_of(model).c.id == row_id))
        self._note(verb, record_name(model, row_id), before, "", because)

    def note(self, verb: str, record: str, reason: str = "") -> None:
        """Add an event that changes no row, such as an opening of the vault."""
        self._note(verb, record, "", "", reason)

    def flush_rows(self) -> None:
        """Send the rows handed to `insert` so that queries see them."""
        for model, rows in self._rows.items():
            for start in range(0, len(rows), _BATCH):
                self.session.execute(insert(table_of(model)), rows[start : start + _BATCH])
        self._rows.clear()

    def flush(self) -> None:
        """Send rows, events and the head."""
        self.flush_rows()
        if not self._events:
            return
        self._take_settings()
        at = instant_text(self.now)
        lines = []
        for verb, record, before, after, reason in self._events:
            self._length += 1
            unsealed = Event(
                self._length, at, self._actor, verb, record, before, after, reason, self._last, ""
            )
            self._last = event_digest(self._key, unsealed)
            lines.append({**unsealed.__dict__, "digest": self._last})
        for start in range(0, len(lines), _BATCH):
            self.session.execute(insert(EventRow), lines[start : start + _BATCH])
        self.session.execute(
            update(TrailHead).values(
                length=self._length,
                head=self._last,
                seal=head_seal(self._key, self._length, self._last),
            )
        )
        self._events.clear()

    def _take_settings(self) -> None:
        """Put the settings in force before what was done under them, where they are others."""
        if self._settings is None:
            return
        known = self.session.execute(
            select(UnitSettings.written).where(UnitSettings.id == 1)
        ).scalar_one_or_none()
        if known is None:
            self.insert(UnitSettings, "take the settings", written=self._settings)
            self.flush_rows()
        elif known != self._settings:
            self.update(UnitSettings, "take other settings", 1, written=self._settings)
        else:
            return
        self._events.insert(0, self._events.pop())

    def _take_id(self, model: type[Tracked]) -> int:
        if model not in self._next_id:
            # Under the lock nobody else takes ids. That of a row that was taken out may come again:
            # its last event says which of the two stands.
            highest = self.session.execute(select(func.max(table_of(model).c.id))).scalar()
            self._next_id[model] = (highest or 0) + 1
        taken = self._next_id[model]
        self._next_id[model] = taken + 1
        return taken

    def _draw_id(self, model: type[Tracked]) -> int:
        """Return a free number. Under the lock nobody else takes it before the row is there."""
        self.flush_rows()
        table = table_of(model)
        while True:
            drawn = 1 + secrets.randbelow(_DRAWN_BELOW)
            there = select(table.c.id).where(table.c.id == drawn)
            if self.session.execute(there).first() is None:
                return drawn

    def _note(self, verb: str, record: str, before: str, after: str, reason: str) -> None:
        self._events.append((verb, record, before, after, reason))

    def _stored(self, model: type[Tracked], row_id: int) -> str:
        rows = raw_rows(self.session, model, row_id)
        if not rows:
            raise ConflictError(Fault(f"{record_name(model, row_id)} is not there any more"))
        return written_stored(model, rows[0], self._key)
