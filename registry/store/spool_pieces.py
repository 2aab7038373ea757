"""A file that comes in pieces, one request each: what is there waits, encrypted, for the rest.

The sender names the file by a word of its own; kept is a digest of it under the arrival's key, for
the word may be made of the file's name. What was begun and never ended goes with its arrival.
"""

from __future__ import annotations

import fcntl
import hashlib
import hmac
import os
import secrets
import shutil
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, cast

from registry.store.private_files import sync_folder
from registry.store.spool import disk_words
from registry.store.spooled_file import open_spooled, write_spooled

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path
    from typing import BinaryIO

MOST_UNFINISHED = 16
"""Files of an arrival that may wait for more pieces; beyond, the longest untouched is dropped."""

_FOLDER = "pieces"
_DONE = b"done"


@dataclass(frozen=True)
class Pieces:
    """One file's pieces; to be touched while `held_alone`."""

    _folder: Path = field(repr=False)
    _name: str = field(repr=False)
    _key: bytes = field(repr=False)

    @contextmanager
    def held_alone(self) -> Iterator[None]:
        """Keep whoever sends the same file again waiting until the block ends."""
        with disk_words():
            self._folder.mkdir(mode=0o700, exist_ok=True)
            descriptor = os.open(self._note, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            os.close(descriptor)

    @property
    def is_done(self) -> bool:
        """Say whether the file was taken already."""
        try:
            return self._note.read_bytes() == _DONE
        except FileNotFoundError:
            return False

    @property
    def size(self) -> int:
        """Bytes from the file's beginning on that are there."""
        return sum(size for _, size in self._there())

    @property
    def size_beside(self) -> int:
        """Bytes of other files that wait for more of their pieces."""
        others = (path for path in self._folder.glob("*/*-*") if path.parent != self._waiting)
        return sum(int(path.name.partition("-")[2]) for path in others)

    def add(self, blocks: Iterable[bytes]) -> None:
        """Keep a piece behind those that are there; it is on the disk once this returns."""
        self._drop_forgotten()
        start = self.size
        with disk_words():
            self._waiting.mkdir(mode=0o700, exist_ok=True)
            part = self._waiting / f"{secrets.token_hex(8)}.part"
            descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            # Closing is inside too: it writes again what a full disk left unwritten.
            with disk_words(), os.fdopen(descriptor, "wb") as file:
                size = write_spooled(file, self._key, blocks)
                file.flush()
                os.fsync(file.fileno())
            with disk_words():
                part.rename(self._waiting / f"{start:020}-{size}")
                sync_folder(self._waiting)
        finally:
            part.unlink(missing_ok=True)

    def blocks(self) -> Iterator[bytes]:
        """Yield the bytes of all pieces in their order."""
        for path, _ in self._there():
            with open_spooled(path, self._key) as piece:
                yield piece.read()

    def finish(self) -> None:
        """Note that the file was taken, and drop its pieces."""
        with disk_words():
            self._note.write_bytes(_DONE)
        shutil.rmtree(self._waiting, ignore_errors=True)

    @property
    def _note(self) -> Path:
        return self._folder / f"{self._name}.note"

    @property
    def _waiting(self) -> Path:
        return self._folder / self._name

    def _there(self) -> list[tuple[Path, int]]:
        """Return path and size of the pieces that follow one another from the beginning."""
        found, end = [], 0
        for path in sorted(self._waiting.glob("*-*")):
            start, _, size = path.name.partition("-")
            if int(start) != end:
                break
            found.append((path, int(size)))
            end += int(size)
        return found

    def _drop_forgotten(self) -> None:
        unfinished = [path for path in self._folder.glob("*") if path.is_dir()]
        others = sorted(
            (path for path in unfinished if path != self._waiting),
            key=lambda at: at.stat().st_mtime,
        )
        for path in others[: max(0, len(others) - MOST_UNFINISHED + 1)]:
            shutil.rmtree(path, ignore_errors=True)


def pieces_of(room: tuple[Path, bytes], word: str) -> Pieces:
    """Return the pieces of the file that a sender calls by this word; `room` is its arrival's."""
    folder, key = room
    name = hmac.new(key, word.encode(), hashlib.sha256).hexdigest()
    return Pieces(folder / _FOLDER, name, key)


class _Joined:
    """Blocks as a stream that is read once, from the beginning on."""

    def __init__(self, blocks: Iterable[bytes]) -> None:
        self._blocks = iter(blocks)

    def read(self, _size: int = -1, /) -> bytes:
        """Return the next block, of whatever length; b'' at the end."""
        return next(self._blocks, b"")


def joined(blocks: Iterable[bytes]) -> BinaryIO:
    """Return blocks as a stream to be read."""
    return cast("BinaryIO", _Joined(blocks))
