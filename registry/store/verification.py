"""What `verify` finds wrong: trail, rows, consensus, seals and files, each named."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import text

from registry.domain.consensus import consensus
from registry.domain.directions import Direction
from registry.domain.problems import ProblemError
from registry.domain.trail import GENESIS, Event, canonical_row, event_digest, head_seal
from registry.store.checking_seals import check_seals
from registry.store.models.every import TRACKED
from registry.store.models.readings import ConsensusRow
from registry.store.queries.readings import current_readings, levels_of, owed_seconds
from registry.store.rows import raw_rows, record_name, written_stored
from registry.store.session import every_byte

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.orm import Session

    from registry.domain.consensus import AgreementRule
    from registry.store.home import Ledger
    from registry.store.sealed_files import SealedFiles

_EVENT_COLUMNS = tuple(Event.__dataclass_fields__)
_REFUSED = "the trail is append-only"
_SAME = "SELECT 1 FROM event WHERE sequence = NEW.sequence"
_ABORT = f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END"
_RAISE = f"BEGIN RAISE EXCEPTION '{_REFUSED}'; END"
# PostgreSQL's pg_trigger.tgtype: before 2, delete 8, update 16, truncate 32, each statement 0.
_TRIGGERS = {
    "sqlite": {
        "event_no_update": f"CREATE TRIGGER event_no_update BEFORE UPDATE ON event {_ABORT}",
        "event_no_delete": f"CREATE TRIGGER event_no_delete BEFORE DELETE ON event {_ABORT}",
        "event_no_replace": (
            f"CREATE TRIGGER event_no_replace BEFORE INSERT ON event WHEN EXISTS ({_SAME}) {_ABORT}"
        ),
        "trail_head_no_delete": (
            f"CREATE TRIGGER trail_head_no_delete BEFORE DELETE ON trail_head {_ABORT}"
        ),
    },
    "postgresql": {
        "event_no_change": f"event 58 {_RAISE}",
        "trail_head_no_delete": f"trail_head 42 {_RAISE}",
    },
}
"""What each trigger is, so that one that was hollowed out is seen as well as one that is gone."""
_TRIGGER_LISTS = {
    "sqlite": "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'",
    "postgresql": (
        "SELECT tgname, relname || ' ' || tgtype || ' ' || btrim(prosrc) FROM pg_trigger "
        "JOIN pg_class ON pg_class.oid = tgrelid JOIN pg_proc ON pg_proc.oid = tgfoid "
        "WHERE NOT tgisinternal AND tgenabled IN ('O', 'A') AND tgqual IS NULL "
        "AND pg_table_is_visible(tgrelid)"
    ),
}


@dataclass(frozen=True)
class Wrong:
    """One thing that is not as the trail says.

    Attributes
    ----------
    record : what it is about, such as `screw:12` or `event 7`
    text : what is wrong with it; columns by name, never their values
    """

    record: str
    text: str

    def line(self) -> str:
        """Return it as one line; what a tampered name holds beyond text is marked."""
        line = f"{self.record}: {self.text}".encode("utf-8", "backslashreplace").decode()
        return " ".join(line.split())


def verify(session: Session, ledger: Ledger) -> list[Wrong]:
    """Return everything that is wrong with a ledger, the trail first; empty where all is well."""
    key = ledger.keys.trail
    last_rows: dict[str, str] = {}
    wrong = [*_check_triggers(session), *_check_schema(session)]
    # What is no text is to be named, not to end the check.
    with every_byte(session.connection()):
        wrong += _check_events(session, key, last_rows)
        wrong += _check_rows(session, key, last_rows)
        wrong += _check_consensus(session, ledger.settings.agreement_rule())
        wrong += [Wrong(*found) for found in check_seals(session, ledger.keys.seal)]
        for files, asked in (
            (ledger.images, _IMAGES),
            (ledger.pictures, _PICTURES),
            (ledger.sealed_quarters, _SEALED),
        ):
            wrong += _check_files(session, files, asked)
    return wrong


def _check_triggers(session: Session) -> Iterator[Wrong]:
    dialect = session.get_bind().dialect.name
    there = {row[0]: row[1] for row in session.execute(text(_TRIGGER_LISTS[dialect]))}
    for name, written in _TRIGGERS[dialect].items():
        if name not in there:
            yield Wrong("trail", f"the trigger {name} that keeps it append-only is gone")
        elif there[name] != written:
            yield Wrong("trail", f"the trigger {name} that keeps it append-only is another")
    for name in sorted(there.keys() - _TRIGGERS[dialect].keys()):
        yield Wrong("schema", f"the trigger {name!r} is none of the ledger's")


_VIEWS = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'view'",
    "postgresql": "SELECT relname FROM pg_class WHERE relkind IN ('v', 'm') "
    "AND relnamespace = current_schema()::regnamespace",
}


def _check_schema(session: Session) -> Iterator[Wrong]:
    """Yield what rates would be read through that is not the tables and what they hold."""
    dialect = session.get_bind().dialect.name
    for (name,) in session.execute(text(_VIEWS[dialect])):
        yield Wrong("schema", f"the view {name!r} is none of the ledger's")
    if dialect == "sqlite":
        for (found,) in session.execute(text("PRAGMA integrity_check(20)")):
            if found != "ok":
                yield Wrong("database file", str(found))


def _check_events(session: Session, key: bytes, last_rows: dict[str, str]) -> Iterator[Wrong]:
    listed = ", ".join(f'"{name}"' for name in _EVENT_COLUMNS)
    rows = session.execute(
        text(f"SELECT {listed} FROM event ORDER BY sequence")  # noqa: S608 - own names only
    )
    expected, previous = 1, GENESIS
    for row in rows:
        event = Event(*row)
        if expected < event.sequence:
            yield Wrong(_events(expected, event.sequence - 1), "missing from the trail")
            previous = ""
        if not _is_whole(event, key):
            yield Wrong(f"event {event.sequence}", "not as it was written")
        elif previous and event.previous != previous:
            yield Wrong(f"event {event.sequence}", "does not follow the event before it")
        previous = event.digest
        expected = event.sequence + 1
        if event.after:
            last_rows[str(event.record)] = event.after
        elif event.before:
            last_rows.pop(str(event.record), None)
    yield from _check_head(session, key, expected - 1, previous)


def _events(first: int, last: int) -> str:
    """Name some events; a range, for a sequence number can be made as large as one likes."""
    return f"event {first}" if first == last else f"events {first} to {last}"


def _is_whole(event: Event, key: bytes) -> bool:
    texts = [getattr(event, name) for name in _EVENT_COLUMNS if name != "sequence"]
    if not all(isinstance(value, str) for value in texts):
        return False
    return event.digest == event_digest(key, event)


def _check_head(session: Session, key: bytes, length: int, last: str) -> Iterator[Wrong]:
    rows = session.execute(text("SELECT id, length, head, seal FROM trail_head")).all()
    if not rows:
        yield Wrong("trail head", "missing")
        return
    row = rows[0]
    if len(rows) > 1 or row.id != 1 or row.seal != head_seal(key, row.length, row.head):
        yield Wrong("trail head", "not as it was written")
        return
    if row.length > length:
        yield Wrong(_events(length + 1, row.length), "missing from the end of the trail")
    if row.length < length:
        yield Wrong(_events(row.length + 1, length), "added behind the trail's head")
    if row.length == length and row.head != last:
        yield Wrong("trail head", "does not name the last event")


def _check_rows(session: Session, key: bytes, last_rows: dict[str, str]) -> Iterator[Wrong]:
    left = dict(last_rows)
    for model in TRACKED:
        for raw in raw_rows(session, model):
            name = record_name(model, raw["id"])
            said = left.pop(name, None)
            stored = written_stored(model, raw, key)
            if said is None:
                yield Wrong(name, "stands in the ledger without an event")
            elif said != stored and not _is_same_but_for_later_columns(said, stored):
                yield Wrong(name, f"differs from its last event in {_differing(said, stored)}")
    for name in left:
        yield Wrong(name, "has an event but is not in the ledger")


def _is_same_but_for_later_columns(said: str, stored: str) -> bool:
    """Return whether a row differs only in columns that came later and are empty yet.

    What an older program wrote down cannot name a column that it did not have; once such a column
    holds anything, an event has to say so.
    """
    try:
        one, other = json.loads(said), json.loads(stored)
        later = other.keys() - one.keys()
        kept = {name: value for name, value in other.items() if name not in later}
    except (ValueError, AttributeError, RecursionError):
        return False
    is_empty = bool(later) and all(other[name] is None for name in later)
    return is_empty and canonical_row(kept) == said


def _differing(said: str, stored: str) -> str:
    try:
        one, other = json.loads(said), json.loads(stored)
        names = sorted(
            name for name in one.keys() | other.keys() if one.get(name) != other.get(name)
        )
    except (ValueError, AttributeError, RecursionError):
        return "its written form"
    return ", ".join(names) or "its written form"


def _check_consensus(session: Session, rule: AgreementRule) -> Iterator[Wrong]:
    try:
        readings, owed = current_readings(session, rule.counted), owed_seconds(session)
        levels = levels_of(session)
        expected = {
            place: consensus(found, level=levels[place[0]], second_is_owed=place in owed, rule=rule)
            for place, found in readings.items()
        }
        rows = {(row.screw_id, row.scan_id): row for row in session.query(ConsensusRow)}
    except (ValueError, LookupError, TypeError, ArithmeticError, AttributeError) as error:
        yield Wrong("consensus", f"cannot be worked out again ({type(error).__name__})")
        return
    for place in sorted(expected.keys() - rows.keys()):
        yield Wrong(f"consensus of screw:{place[0]}", "missing")
    # Whatever was put in a number's place has to be named, and not to end the check.
    for place, row in sorted(rows.items(), key=lambda each: str(each[0])):
        name = record_name(ConsensusRow, row.id)
        if (worked_out := expected.get(place)) is None:
            yield Wrong(name, "stands without a reading")
        elif consensus_values(worked_out) != {
            column: getattr(row, column) for column in consensus_values(worked_out)
        }:
            yield Wrong(name, "is not what its readings come to")


def consensus_values(found: Any) -> dict[str, Any]:  # noqa: ANN401 - column values differ in kind
    """Return a consensus as the columns of its row."""
    values: dict[str, Any] = {f"{wall}_mm": found.extents_mm[wall] for wall in Direction}
    return values | {
        "bearing_deg": found.bearing_deg,
        "state": found.state.value,
        "is_provisional": found.is_provisional,
        "is_assessable": found.is_assessable,
        "reading_ids": ",".join(map(str, found.reading_ids)),
        "rule_version": found.rule_version,
    }


_IMAGES = "SELECT digest, removed_at FROM image"
_PICTURES = "SELECT picture_digest AS digest, removed_at FROM evidence"
_SEALED = "SELECT file_digest AS digest, NULL AS removed_at FROM quarter_seal WHERE is_kept"


def _check_files(session: Session, files: SealedFiles, asked: str) -> Iterator[Wrong]:
    rows = session.execute(text(asked)).all()
    known = {str(row.digest) for row in rows if row.removed_at is None}
    removed = {str(row.digest) for row in rows if row.removed_at is not None} - known
    there = set(files.digests())
    for digest in sorted(removed & there):
        name = f"{files.kind} {digest[:12]}"
        yield Wrong(name, "was removed, and is in the image folder again")
    for digest in sorted(known - there):
        yield Wrong(f"{files.kind} {digest[:12]}", "is not in the image folder")
    for digest in sorted(known & there):
        try:
            fault = files.check(digest)
        except ProblemError as error:
            fault = str(error)
        if fault:
            yield Wrong(f"{files.kind} {digest[:12]}", fault)
