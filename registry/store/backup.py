"""A backup: one sealed file with a ledger's rows, images and settings, and never its keys.

Its members are a manifest, a member of rows a table, the settings, the images, the pictures that
readings were made on, the sealed quarters, and the digests of all of them. The rows are of one
state of the database, whoever writes meanwhile; each of those files is written before the row that
names it is seen, so every one of that state is there.
"""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import text

from registry.domain.problems import BadInputError, FailureError, Fault
from registry.store import schema
from registry.store.backup_members import (
    CONFIG,
    IMAGES,
    MANIFEST,
    PICTURES,
    ROWS,
    SEALED,
    Member,
    MemberReader,
    MemberWriter,
)
from registry.store.columns import instant_text
from registry.store.portable_rows import Shape, lines, shapes_at
from registry.store.private_files import new_file
from registry.store.sealed_stream import SealedReader, SealedWriter
from registry.store.session import reading

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime
    from pathlib import Path

    from sqlalchemy import Connection

    from registry.store.home import Ledger
    from registry.store.sealed_files import SealedFiles

PASSING = frozenset({"signed_in", "sign_in_failure", "arrival", "proposal_work", "reading_draft"})
"""What no backup holds: nobody is signed in again by a restore, what came in and is not yet a
scan has files that name people, which no backup holds either, no worker of then goes on, and a
draft is no record yet."""

_BLOCK = 1024 * 1024
_REMOVED = "removed_at"


@dataclass(frozen=True)
class Manifest:
    """What a backup says of itself.

    Attributes
    ----------
    program : version of the program that made it
    revision : of the ledger's schema
    made_at : instant, as the trail writes it
    length, head, seal : the trail's end, sealed with the key of the trail
    tables : the columns of each table, in the order of its rows' values
    """

    program: str
    revision: str
    made_at: str
    length: int
    head: str
    seal: str
    tables: dict[str, list[str]]


@dataclass(frozen=True)
class WrittenBackup:
    """What was written.

    Attributes
    ----------
    digests : SHA-256 of each member
    missing : images, pictures and sealed quarters that the ledger names and that could not be read
    """

    path: Path
    manifest: Manifest
    digests: dict[str, str]
    missing: tuple[str, ...]

    @property
    def images(self) -> int:
        """Return how many images it holds."""
        return self._count(IMAGES)

    @property
    def pictures(self) -> int:
        """Return how many pictures of readings it holds."""
        return self._count(PICTURES)

    @property
    def sealed(self) -> int:
        """Return how many sealed quarters and supplements it holds."""
        return self._count(SEALED)

    def _count(self, kind: str) -> int:
        return sum(name.startswith(kind) for name in self.digests)


def write_backup(ledger: Ledger, target: Path, *, program: str, now: datetime) -> WrittenBackup:
    """Write a new file readable by its owner alone, or nothing; the ledger's key of backups stays.

    The schema need not be this program's.
    """
    revision = schema.current(ledger.engine)
    if revision is None or not schema.is_known(revision):
        schema.require_current(ledger.engine)
        raise FailureError("there is no ledger here to back up")
    shapes = [shape for shape in shapes_at(revision) if shape.table not in PASSING]
    with reading(ledger.engine) as session, new_file(target) as file:
        connection = session.connection()
        sink = SealedWriter(file, ledger.keys.backup)
        members = MemberWriter(sink)
        manifest = _manifest(connection, shapes, program, revision, now)
        members.add_document(MANIFEST, vars(manifest))
        for shape in shapes:
            members.add(ROWS + shape.table, _gathered(lines(connection, shape)))
        config = ledger.home / CONFIG
        if config.exists():
            members.add(CONFIG, [config.read_bytes()])
        missing = []
        for kept in _kept(ledger):
            missing += _add_files(kept, members, _held(kept, connection, shapes))
        members.finish()
    return WrittenBackup(target, manifest, members.digests, _still_missing(ledger, missing))


def _manifest(
    connection: Connection, shapes: Iterable[Shape], program: str, revision: str, now: datetime
) -> Manifest:
    head = connection.execute(text("SELECT length, head, seal FROM trail_head")).one_or_none()
    if head is None:
        raise FailureError("the trail's head is missing; run `pedicle-ledger verify`")
    tables = {shape.table: [name for name, _ in shape.columns] for shape in shapes}
    length, sealed_head, seal = head
    return Manifest(program, revision, instant_text(now), length, sealed_head, seal, tables)


def _gathered(written: Iterable[bytes]) -> Iterator[bytes]:
    """Return lines in larger blocks."""
    block = bytearray()
    for line in written:
        block += line
        if len(block) >= _BLOCK:
            yield bytes(block)
            block.clear()
    if block:
        yield bytes(block)


@dataclass(frozen=True)
class _Kept:
    """One kind of file beside the rows: its table, the column that names it, its members.

    `where` is a column that says of which rows there is a file, where that is not all of them.
    """

    files: SealedFiles
    table: str
    column: str
    members: str
    where: str | None = None


def _kept(ledger: Ledger) -> tuple[_Kept, ...]:
    return (
        _Kept(ledger.images, "image", "digest", IMAGES),
        _Kept(ledger.pictures, "evidence", "picture_digest", PICTURES),
        _Kept(ledger.sealed_quarters, "quarter_seal", "file_digest", SEALED, "is_kept"),
    )


def _held(kept: _Kept, connection: Connection, shapes: Iterable[Shape]) -> list[str]:
    columns = next((dict(shape.columns) for shape in shapes if shape.table == kept.table), None)
    if columns is None or (kept.where is not None and kept.where not in columns):
        return []
    terms = [f"{_REMOVED} IS NULL"] if _REMOVED in columns else []
    terms += [] if kept.where is None else [kept.where]
    where = f" WHERE {' AND '.join(terms)}" if terms else ""
    asked = f"SELECT DISTINCT {kept.column} FROM {kept.table}{where} ORDER BY {kept.column}"  # noqa: S608 - own names only
    return [str(digest) for digest in connection.execute(text(asked)).scalars()]


def _add_files(kept: _Kept, members: MemberWriter, digests: Iterable[str]) -> list[str]:
    there = set(kept.files.digests())
    missing = []
    for digest in digests:
        try:
            if digest not in there:
                raise FileNotFoundError(digest)
            blocks = kept.files.blocks(digest)
            first = next(blocks, b"")
        except OSError:
            missing.append(digest)
            continue
        members.add(kept.members + digest, _with_first(first, blocks))
    return missing


def _with_first(first: bytes, others: Iterator[bytes]) -> Iterator[bytes]:
    yield first
    yield from others


def _still_missing(ledger: Ledger, missing: list[str]) -> tuple[str, ...]:
    """Return what is missing and not because its patient was withdrawn meanwhile."""
    if not missing:
        return ()
    revision = schema.current(ledger.engine) or ""
    with reading(ledger.engine) as session:
        connection, shapes = session.connection(), shapes_at(revision)
        held = {d for kept in _kept(ledger) for d in _held(kept, connection, shapes)}
    return tuple(digest for digest in missing if digest in held)


class OpenBackup:
    """A backup that is being read; its members come once, in their order."""

    def __init__(self, name: str, source: SealedReader) -> None:
        self.name = name
        self._reader = MemberReader(source, name)
        self._members = self._reader.members()
        self.manifest = self._read_manifest()

    @property
    def digests(self) -> dict[str, str]:
        """Return the digests of the members that were taken, complete after the last."""
        return self._reader.digests

    def members(self) -> Iterator[Member]:
        """Yield what follows the manifest; BadInputError where the file is not whole."""
        yield from self._members

    def _read_manifest(self) -> Manifest:
        first = next(self._members, None)
        try:
            if first is None or first.name != MANIFEST:
                raise ValueError  # noqa: TRY301 - said below with everything else
            return Manifest(**json.loads(first.whole()))
        except (ValueError, TypeError):
            raise BadInputError(
                Fault("the backup does not begin with its manifest", self.name)
            ) from None


@contextmanager
def open_backup(path: Path, key: bytes) -> Iterator[OpenBackup]:
    """Give a backup; BadInputError in one line where it cannot be one of this key's."""
    try:
        file = path.open("rb")
    except OSError as error:
        raise BadInputError(
            Fault(f"cannot be read ({error.strerror})", str(path), "name a file made by `backup`")
        ) from error
    with file:
        yield OpenBackup(str(path), SealedReader(file, key, str(path)))


def split_lines(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Return blocks as lines again, each with its end."""
    rest = b""
    for block in blocks:
        *whole, rest = (rest + block).split(b"\n")
        for line in whole:
            yield line + b"\n"
    if rest:
        yield rest


def require_known(manifest: Manifest, name: str) -> None:
    """Raise FailureError where this program does not know the backup's schema."""
    newest = schema.newest()
    if not schema.is_known(manifest.revision):
        raise FailureError(
            f"{name} holds a ledger at schema {manifest.revision}, newer than this program "
            f"({newest}); install a newer program"
        )
